"""Which source feeds which wet stretch and by which route: candidates, evidence, support, what to test next."""
