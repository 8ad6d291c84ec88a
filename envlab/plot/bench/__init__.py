"""Pictures of the bench: a board measured over simulated, its parts on their tolerances, the night after."""
