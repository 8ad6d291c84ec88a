"""What a candidate's lights do, as numbers that two people compute alike."""
