//! The pages as people and browsers meet them: signing in, forms, what is refused and how it is said. Every test runs on both engines.
#![allow(clippy::unwrap_used, reason = "a test may stop where something is not as it has to be")]

#[expect(dead_code, reason = "the tests of the API use the rest of it")]
#[path = "../harness/mod.rs"]
mod harness;
mod reader;

mod account_letters;
mod bench;
mod coming_in;
mod copies;
mod erasing;
mod forms;
mod imports;
mod mail;
mod offers;
mod packet;
mod photos;
mod procedures;
mod roles;
mod safety;
mod second_factor;
mod sessions;
mod texts;
mod wear;
mod webhooks;
mod write_up;
