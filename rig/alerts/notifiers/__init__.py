"""One module per way of telling; each runs in a courier process of its own and knows no other."""
