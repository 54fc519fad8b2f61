"""Analysis: from recordings to hits: found, told apart by drum and articulation, placed and measured."""
