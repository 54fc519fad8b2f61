"""Kit: a finished kit, read, checked, measured again, played, written in every format and given away."""
