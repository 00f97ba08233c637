//! Fourth floor: what the server sends out by itself.
pub mod post;
pub mod webhooks;
