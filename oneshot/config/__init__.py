"""Config: what a person asks for and overrules: recipe, corrections, and what a release holds."""
