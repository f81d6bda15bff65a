"""How a cell's controller talks to the table: typed messages, and the ways they travel."""
