"""Drains: the network, where it backs up, what it carries, what the ground takes."""
