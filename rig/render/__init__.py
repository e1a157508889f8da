"""Text, tables, pages and JSON of the results of forensics, endurance and reliability."""
