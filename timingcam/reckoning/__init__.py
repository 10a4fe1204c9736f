"""What the readings mean: crank speed, the advance curve, the doubts, the checks against the spec."""
