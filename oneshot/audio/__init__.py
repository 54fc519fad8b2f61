"""Audio: sound files read and written, their chunks and tags, and what is measured of sound alone."""
