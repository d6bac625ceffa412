"""What a person types a plan into: the starter plan, and the pages that say what may stand in it."""
