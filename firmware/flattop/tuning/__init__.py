"""The tuning run as values and pure functions: plan, steady readings, judgements, steps."""
