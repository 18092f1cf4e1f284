"""`python -m fuzz`: every reader against bytes that a coverage-guided fuzzer makes up.

`readers` holds one harness for each reader; `seeds` what the fuzzer begins with; `one` runs one of
them. What was found lies in `tests/data/corpus/` and is read again by the tests.
"""
