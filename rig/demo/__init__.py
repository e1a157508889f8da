"""The demo on the simulated room: one death explained, or the whole job told command by command."""
