"""From captures to findings: methods run, settings averaged, everything assembled."""
