//! Witnessmark keeps the maintenance history of many motorcycles and tells, for each of them, what is due and why.
//!
//! The floors, from the ground up; each uses only those below it:
pub mod access; // who is asking: passwords, sessions, tokens
pub mod actions; // third floor: what a person can do, one transaction each
pub mod api; // fourth floor: JSON over HTTP, one file per resource
pub mod cli; // the command line, one file per command
pub mod clock; // the only place that knows what time it is
pub mod config; // flags and environment
pub mod connections; // from the network to the router, with limits
pub mod domain; // ground floor: pure computing; no I/O, no clock
pub mod error; // the one error type
pub mod feeds; // fourth floor: what the server sends out by itself
pub mod mail; // letters on their way out
pub mod metrics; // how the server is doing, for a monitoring system
pub mod pages; // fourth floor, beside the API: HTML, one file per page
pub mod store; // second floor: the only place that knows SQL
pub mod traces; // spans for a collector of OpenTelemetry
pub mod web; // the router and its layers

/// Here rather than in the program, so that the benchmark and the tests have it too.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;
