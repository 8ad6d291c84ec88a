"""Pictures of a sweep and of many boards."""
