"""Detection: from samples to candidates for hits and their first arrivals in each mic."""
