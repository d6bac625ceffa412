"""Air and friction: pure functions of arrays, in trade units."""
