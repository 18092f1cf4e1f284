"""The comparison table."""
