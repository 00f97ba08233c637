//! Ground floor: pure computing. No I/O, no clock, no database, no HTTP.
//!
//! The nouns of the trade as data: [`motorcycle`], [`service`], [`part`], [`fastener`], [`rule`], [`limit`], [`due`].
//! The computation on them: [`quantity`], [`counter`], and what is worked out from a [`history`]: [`interval`] finds a rule's due point,
//! [`due_dates`] its dates, [`work_out`] puts everything that is due together.
pub mod attachment;
mod because;
pub mod calculation;
pub mod calendar;
pub mod calendar_feed;
pub mod caution;
pub mod component;
pub mod conformity;
mod contradiction;
pub mod cost;
pub mod counter;
pub mod due;
pub mod due_dates;
pub mod due_wear;
pub mod fastener;
#[cfg(test)]
pub(crate) mod fixture;
pub mod follow_up;
pub mod forecast;
pub mod history;
pub mod history_item;
pub mod id;
pub mod import;
pub mod interval;
pub mod job_sheet;
pub mod lay_up;
pub mod letter;
pub mod limit;
pub mod line;
pub mod measurement;
pub mod motorcycle;
mod noun;
pub mod packet;
pub mod part;
pub mod part_life;
pub mod person;
pub mod projection;
pub mod propose;
pub mod quantity;
pub mod report;
pub mod report_time;
pub mod riding;
pub mod road;
pub mod rule;
mod satisfied;
pub mod search;
pub mod service;
pub mod sheet;
pub mod stays;
mod sums;
pub mod tire;
pub mod torque;
pub mod usual;
pub mod validate;
pub mod verdict;
pub mod vin;
pub mod visits;
pub mod wear;
pub mod wear_forecast;
pub mod webhook;
pub mod wheel;
pub mod words;
pub mod work_out;
pub mod workshop;
