"""Force platform recordings → stances, and what the ground says about each: times, forces, centre of pressure."""
