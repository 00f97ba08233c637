//! Ground floor: pure computing. No I/O, no clock, no database, no HTTP.
//!
//! The nouns of the trade as data: [`motorcycle`], [`service`], [`part`], [`fastener`], [`rule`], [`limit`], [`due`].
//! The computation on them: [`quantity`], [`counter`], and what is worked out from a [`history`].
pub mod calendar;
pub mod component;
mod contradiction;
pub mod counter;
pub mod due;
pub mod fastener;
pub mod follow_up;
pub mod history;
pub mod id;
pub mod limit;
pub mod motorcycle;
mod noun;
pub mod part;
pub mod projection;
pub mod quantity;
pub mod rule;
pub mod service;
pub mod tire;
pub mod torque;
pub mod validate;
pub mod verdict;
pub mod vin;
pub mod words;
pub mod workshop;
