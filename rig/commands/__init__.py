"""The commands, one module per family; ``rig.cli`` collects them, prints what they return, and exits."""
