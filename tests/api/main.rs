//! Black-box tests over HTTP: every test starts the real router over a fresh database, once on SQLite and once on PostgreSQL.
#![allow(
    clippy::unwrap_used,
    clippy::similar_names,
    clippy::format_collect,
    clippy::needless_pass_by_value,
    reason = "a test may stop where something is not as it has to be"
)]

#[path = "../harness/mod.rs"]
mod harness;

mod attachments;
mod away;
mod backups;
mod bytes;
mod calendars;
mod connection;
mod conventions;
mod databases;
mod due;
mod erasing;
mod exchange;
mod faults;
mod guard;
mod histories;
mod idempotency;
mod imports;
mod lay_ups;
mod limits;
mod lists;
mod lives;
mod mail;
mod matrix;
mod motorcycles;
mod moves;
mod numbers;
mod offers;
mod openapi;
mod packet;
mod packet_import;
mod parts;
mod people;
mod plans;
mod procedures;
mod readings;
mod records;
mod reports;
mod schedules;
mod schema;
mod services;
mod several;
mod sheets;
mod single_use;
mod smtp;
mod traces;
mod upgrades;
mod webhooks;
mod workshops;
