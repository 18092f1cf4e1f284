"""What is still to be photographed, and how a die is photographed."""
