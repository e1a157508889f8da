"""Whether the tests hold the rules: small changes to the code, one at a time, which some test must notice."""
