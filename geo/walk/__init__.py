"""The walk round a site: what to look at, shoot and read, in what order, in how long."""
