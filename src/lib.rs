//! Witnessmark keeps the maintenance history of many motorcycles and tells, for each of them, what is due and why.
pub mod domain;
