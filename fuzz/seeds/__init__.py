"""What the fuzzer begins with: small good inputs of every kind, made here; see `make`."""
