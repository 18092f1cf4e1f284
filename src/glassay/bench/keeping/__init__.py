"""What is kept on disk: captures filed, results stored, archives, marks by hand."""
