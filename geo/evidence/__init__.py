"""Which source feeds which wet stretch by which way in: candidates, evidence, support, the next test."""
