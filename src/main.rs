//! Reads the command line and hands over.
use std::{io::IsTerminal, process::ExitCode};

use clap::Parser;
use opentelemetry::trace::TracerProvider;
use tracing_subscriber::{
    EnvFilter, Layer,
    field::MakeExt,
    filter::{LevelFilter, filter_fn},
    fmt::format,
    layer::SubscriberExt,
    util::SubscriberInitExt,
};
use witnessmark::traces;

#[tokio::main]
async fn main() -> ExitCode {
    let command = witnessmark::config::Command::parse();
    let wanted = std::env::var("WITNESSMARK_LOG").unwrap_or_else(|_| "witnessmark=info,tower_http=warn".into());
    let filter = match EnvFilter::try_new(&wanted) {
        Ok(filter) => filter,
        Err(error) => {
            eprintln!("witnessmark: WITNESSMARK_LOG={wanted:?} cannot be read ({error}); give a level such as info, or witnessmark=debug");
            return ExitCode::from(2);
        }
    };
    let lines = tracing_subscriber::fmt::layer().with_writer(std::io::stderr);
    let lines = match std::env::var("WITNESSMARK_LOG_FORMAT").as_deref() {
        Ok("json") => lines.json().flatten_event(true).with_filter(filter).boxed(),
        Ok("text") | Err(_) => {
            // An error's text may quote what somebody else sent: it stays on its line.
            let fields = format::debug_fn(|writer, field, value| {
                let name = if field.name() == "message" { String::new() } else { format!("{}=", field.name()) };
                write!(writer, "{name}{}", traces::on_one_line(&format!("{value:?}")))
            });
            lines.with_ansi(std::io::stderr().is_terminal()).fmt_fields(fields.delimited(" ")).with_filter(filter).boxed()
        }
        Ok(other) => {
            eprintln!("witnessmark: WITNESSMARK_LOG_FORMAT={other:?} is neither text nor json");
            return ExitCode::from(2);
        }
    };
    let traces = match traces::provider() {
        Ok(traces) => traces,
        Err(message) => {
            eprintln!("witnessmark: {message}");
            return ExitCode::from(2);
        }
    };
    let spans = traces.as_ref().map(|traces| {
        // Spans alone: lines of the log may hold addresses.
        let own = filter_fn(|about| about.is_span() && about.target().starts_with("witnessmark")).with_max_level_hint(LevelFilter::DEBUG);
        tracing_opentelemetry::layer().with_tracer(traces.tracer("witnessmark")).with_filter(own)
    });
    tracing_subscriber::registry().with(lines).with(spans).init();
    let code = witnessmark::cli::run(command).await;
    if let Some(traces) = traces {
        // What has not been sent yet; it waits for the network, so not on a thread that the network needs.
        let ended = tokio::task::spawn_blocking(move || traces.shutdown()).await;
        if !matches!(ended, Ok(Ok(()))) {
            eprintln!("witnessmark: the last traces could not be sent");
        }
    }
    code
}
