"""Benchmarks: each sets ours beside the naive way, and prints ratios, never promises."""
