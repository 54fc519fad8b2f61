"""Mix: the balance of the mics, prints mixed down by a recipe, and one-shots mixed down by the balance."""
