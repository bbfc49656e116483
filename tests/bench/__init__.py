"""Speed as ratios: each benchmark runs the product's way and a plain way side by side, in one process."""
