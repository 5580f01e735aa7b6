"""What is learned from records, and before there are any: many trials, comparisons, budgets, clocks, rates, reports."""
