//! The pages in a real browser: headless Chromium, at 360 px, with script and without, on the demo's workshop.
//!
//! Run by `sh tests/run`, which says where Chromium, its driver and axe-core are.
mod axe;
mod browser;
mod invitation;
#[expect(dead_code, clippy::unwrap_used, reason = "the other tests use the rest of it")]
#[path = "../harness/picture.rs"]
mod picture;
mod sending;
mod workshop;
mod write_up;
