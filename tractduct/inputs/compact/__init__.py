"""The compact form of a plan: few cells typed, and the long tables worked out from them."""
