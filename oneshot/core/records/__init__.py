"""The frozen records of sessions and kits.

Conventions, everywhere in the package:

- A position in time is a frame: an int64 count at the take's own sample rate. Seconds and milliseconds appear only in
  settings, on the command line and in reports, and then carry their unit in the name (``_s``, ``_ms``).
- A quantity in decibels, hertz, seconds or milliseconds carries the unit in its name (``_db``, ``_dbfs``, ``_hz``).
- Arrays are (mics, frames), or (hits, mics): time and mics never trade places outside ``audio``.
- "Not known" is ``None`` in a record, -1 in an array of frames and NaN in a float array; never a made-up number.
"""
