"""Claims and needs held against findings; decisions are data."""
