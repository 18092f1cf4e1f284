"""What a comparison is: its document, its captures, its results and its verdicts."""
