//! Ground floor: pure computing. No I/O, no clock, no database, no HTTP.
//!
//! The nouns of the trade as data: [`motorcycle`], [`service`], [`part`], [`fastener`], [`rule`], [`limit`], [`due`].
//! The computation on them: [`quantity`], [`counter`], and what is worked out from a [`history`].
pub mod calculation;
pub mod calendar;
pub mod conformity;
pub mod counter;
pub mod due;
pub mod fastener;
pub mod history;
pub mod id;
pub mod limit;
pub mod line;
pub mod motorcycle;
mod noun;
pub mod part;
pub mod projection;
pub mod quantity;
pub mod rule;
pub mod service;
pub mod visits;
pub mod wear;
pub mod wheel;
pub mod words;
