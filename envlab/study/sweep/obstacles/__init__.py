"""What stands in the way of a target that nobody meets, found by trying."""
