"""Pictures. They draw what the other rooms computed."""
