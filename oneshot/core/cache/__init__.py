"""Cache: results on disk that no later build need compute again.

A result is used again only where everything it depends on is the same.

- The recordings. Each session has a folder of its own, named by the fingerprint of its files.
- The parameters: whatever else the result depends on, stated by whoever asks for it.
- The program: a digest of all of the package's code, and the versions of the libraries that results depend on
  (``keys``).
"""
