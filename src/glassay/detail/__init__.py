"""Detail: edge response, bar target, correlation of repeated exposures."""
