"""What the clip shows: frames, flashes, where the rotor stands, and its angle at each flash."""
