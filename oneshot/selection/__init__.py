"""Selection: which hits become one-shots, in which velocity layer and round robin."""
