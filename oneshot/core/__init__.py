"""Core: what every room uses: records, errors, files, workers, progress, what is stored."""
