//! Black-box tests over HTTP: every test starts the real router over a fresh database, once on SQLite and once on PostgreSQL.
#[path = "../harness/mod.rs"]
mod harness;

mod attachments;
mod conventions;
mod idempotency;
mod lists;
mod motorcycles;
mod numbers;
mod records;
mod webhooks;
