//! Fourth floor: what goes out by itself or is taken along: webhooks, the history packet on paper.
pub mod calendar;
pub mod packet;
pub mod pdf;
pub mod post;
pub mod webhooks;
