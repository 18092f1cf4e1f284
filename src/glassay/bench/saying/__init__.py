"""Words: numbers in sentences, names of findings."""
