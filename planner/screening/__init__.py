"""Screening, the engineer's chapter: rows on pipes, spans, rules, verdicts."""
