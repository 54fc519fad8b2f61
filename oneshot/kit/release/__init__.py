"""Release: the zips that are given away, of a kit or of a session."""
