"""One field from a scan: the plan, the truncated fit, the informed fit."""
