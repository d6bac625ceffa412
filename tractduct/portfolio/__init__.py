"""Many plans: finding them, what came of each, where it is kept, and the stock list they share."""
