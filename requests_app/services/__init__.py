"""The writing side of orders and batches: every function here is atomic and names its actor."""
