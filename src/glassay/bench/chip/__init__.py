"""The same chip through several instruments: matches, plates, foretold views."""
