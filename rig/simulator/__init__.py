"""The simulated room: unit physics with known truth, and instruments that speak true protocols."""
