"""Photographs: the original kept byte for byte, what its camera wrote, and copies that tell no place."""
