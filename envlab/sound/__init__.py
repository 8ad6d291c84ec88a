"""From a file to pascal: recordings, levels, test signals, and the wave between the samples."""
