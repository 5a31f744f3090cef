"""The whole way through: a site goes in, its findings come out."""
