//! The server as the tests see it: the real router on a free port, over a fresh database on either engine, asked over HTTP.
//!
//! Every answer is compared with what the OpenAPI document promises for its path and status ([`promised`]), so that each test
//! of anything is a test of the document too.
pub mod answer;
pub mod database;
pub mod forwarder;
pub mod picture;
pub mod promised;
pub mod server;

pub use answer::Answer;
pub use database::Engine;
pub use server::Server;

/// Makes two tests of one: `on_both_engines!(name, async |server| { … })` runs on SQLite and on PostgreSQL.
macro_rules! on_both_engines {
    ($(#[$doc:meta])* $name:ident, $test:expr) => {
        $(#[$doc])*
        mod $name {
            #[allow(clippy::wildcard_imports, unused_imports, reason = "the test's own names")]
            use super::*;

            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn sqlite() {
                $crate::harness::server::run($crate::harness::Engine::Sqlite, $test).await;
            }
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn postgres() {
                $crate::harness::server::run($crate::harness::Engine::Postgres, $test).await;
            }
        }
    };
}
pub(crate) use on_both_engines;
