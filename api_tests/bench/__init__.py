"""Benchmarks of the running service: `python -m api_tests.bench`, one part with ONLY=, shorter with BENCH_QUICK=1."""
