"""What the exported firmware shows on recordings and clips, and whether it keeps what was asked."""
