"""Session: a folder of recordings, read: takes, mics and their roles, labels, processed tracks."""
