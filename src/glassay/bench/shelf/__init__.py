"""Many benches searched in one place."""
