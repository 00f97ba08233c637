//! Everything that happened to a motorcycle, one list, newest first.
