"""The store: sites kept in one database, every change an event that is never altered."""
