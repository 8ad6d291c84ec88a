"""What the exported firmware shows on the clips, judged as it is worn."""
