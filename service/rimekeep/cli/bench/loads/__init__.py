"""Load plans: invented days planned, proven and judged."""
