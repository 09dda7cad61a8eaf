"""The flight on paper: the plan flown once, without uncertainty, for the budget and to compare."""
