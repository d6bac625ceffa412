"""What purchasing asks: which flex, what it costs to approve one more, what to order."""
