"""What people write: the bench document, read, checked and edited."""
