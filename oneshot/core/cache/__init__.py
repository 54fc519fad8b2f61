"""Cache: results that need not be computed again, on disk for any later build and in memory for the next one.

One rule for both: a result is used again only where everything it depends on is the same.

- The recordings. On disk each session has a folder of its own, named by the fingerprint of its files; a memory forgets
  everything when a build of another session begins.
- The parameters: whatever else the result depends on, stated by whoever asks for it.
- The program: a digest of all of the package's code, and the versions of the libraries that results depend on
  (``keys``). In memory both are those of the running process.
"""
