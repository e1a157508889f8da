"""Many runs, in folders and in object stores: found, kept there, and asked the same question each."""
