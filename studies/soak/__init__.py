"""Several people edit one bench through the workbench for a while; what was said to be kept must be."""
