//! `witnessmark export` and `witnessmark import`: the same as `/export` and `/imports`, without their limit on size.
use std::{
    fs::File,
    io::{self, Read, Write},
    path::{Path, PathBuf},
    process::ExitCode,
    time::Duration,
};

use clap::Args;
use tokio::task::JoinSet;

use super::{environment, print};
use crate::{
    access::Caller,
    actions::{
        App, Work,
        export::Export as Outgoing,
        import::{self, Format, Wanted},
        progress::Progress,
    },
    clock::Clock,
    config::Database,
    domain::{
        id::Id,
        import::{DateOrder, ImportKind, RowOutcome},
        words::OdometerUnit,
        workshop::Workshop,
    },
    error::{Error, Result},
    store::{self, Store},
};

/// Writes a workshop, whole, as NDJSON.
#[derive(Debug, Args)]
pub struct Export {
    #[command(flatten)]
    database: Database,
    /// The workshop's name
    #[arg(long, value_name = "NAME", env = "WITNESSMARK_WORKSHOP")]
    workshop: String,
    /// The file to write; it must not be there yet. Without it: standard output
    #[arg(long, value_name = "FILE", env = "WITNESSMARK_TO")]
    to: Option<PathBuf>,
}

impl Export {
    /// Runs the command.
    ///
    /// # Errors
    /// Where there is no such workshop, or the file is there already or cannot be written.
    pub async fn run(self) -> Result<ExitCode> {
        let (app, workshop) = open(&self.database, &self.workshop).await?;
        let written = self.write(&app, workshop).await;
        app.store.close().await;
        written.map(|()| ExitCode::SUCCESS)
    }
    async fn write(&self, app: &App, workshop: Id<Workshop>) -> Result<()> {
        let mut to: Box<dyn Write + Send> = match &self.to {
            None => Box::new(io::stdout()),
            Some(path) => Box::new(create(path)?),
        };
        let mut export = Outgoing::new(app.read(&Caller::command_line(workshop)).await?);
        while let Some(lines) = export.next().await? {
            to.write_all(&lines).map_err(|error| environment(format!("cannot write the export: {error}")))?;
        }
        to.flush().map_err(|error| environment(format!("cannot write the export: {error}")))
    }
}

/// A new file that nobody else may read: it holds owners.
fn create(path: &Path) -> Result<File> {
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => {
            Error::invalid("/to", format!("{} is there already and is never overwritten; name a new file.", path.display()))
        }
        _ => environment(format!("cannot write {}: {error}", path.display())),
    })
}

/// Imports a file into a workshop, all of it or nothing.
#[derive(Debug, Args)]
pub struct Import {
    #[command(flatten)]
    database: Database,
    /// The workshop's name
    #[arg(long, value_name = "NAME", env = "WITNESSMARK_WORKSHOP")]
    workshop: String,
    /// What the file holds: motorcycles, `odometer_readings`, `service_events`, packet or export
    #[arg(long, env = "WITNESSMARK_KIND", value_parser = str::parse::<ImportKind>, default_value = "export")]
    kind: ImportKind,
    /// The file: CSV, or a JSON object on each line where its name ends in .ndjson or .jsonl. Without it: standard input
    #[arg(long, value_name = "FILE", env = "WITNESSMARK_FROM")]
    from: Option<PathBuf>,
    /// The order of day, month and year in dates that are not written YYYY-MM-DD: dmy or mdy
    #[arg(long, value_name = "ORDER", env = "WITNESSMARK_DATE_ORDER", value_parser = str::parse::<DateOrder>)]
    date_order: Option<DateOrder>,
    /// The unit of every odometer figure in the file, where it is not each motorcycle's own: mi or km
    #[arg(long, env = "WITNESSMARK_UNIT", value_parser = str::parse::<OdometerUnit>)]
    unit: Option<OdometerUnit>,
    /// Only try it
    #[arg(long)]
    dry_run: bool,
}

/// How often the terminal says how far an import has come.
const EVERY: Duration = Duration::from_secs(2);

/// Says on standard error how far the work has come, until what it gives back is dropped.
fn tell(work: &mut Work) -> JoinSet<()> {
    let progress = work.progress.insert(Progress::default()).clone();
    let mut telling = JoinSet::new();
    telling.spawn(async move {
        loop {
            tokio::time::sleep(EVERY).await;
            eprintln!("{}", progress.step());
        }
    });
    telling
}

impl Import {
    /// Runs the command: 0 where everything was stored, 1 with each row that is wrong.
    ///
    /// # Errors
    /// Where there is no such workshop, or the file cannot be read.
    pub async fn run(self) -> Result<ExitCode> {
        let file = self.read()?;
        let (app, workshop) = open(&self.database, &self.workshop).await?;
        let done = self.import(&app, workshop, &file).await;
        app.store.close().await;
        done
    }
    async fn import(&self, app: &App, workshop: Id<Workshop>, file: &[u8]) -> Result<ExitCode> {
        let named =
            |ending| self.from.as_ref().is_some_and(|path| path.extension().is_some_and(|known| known.eq_ignore_ascii_case(ending)));
        let ndjson = self.kind == ImportKind::Export || named("ndjson") || named("jsonl");
        let format = match self.kind {
            ImportKind::Packet => Format::Json,
            _ if ndjson => Format::Ndjson,
            _ => Format::Csv,
        };
        let wanted = Wanted { kind: self.kind, format, date_order: self.date_order, unit: self.unit };
        let mut work = app.write(&Caller::command_line(workshop), None).await?;
        let telling = tell(&mut work);
        let imported = import::import(&mut work, wanted, file).await?;
        for row in &imported.rows {
            for error in &row.errors {
                let column = if error.column.is_empty() { String::new() } else { format!(", {}", error.column) };
                print(&format!("row {}{column}: {}", row.row, error.detail));
            }
        }
        imported.remarks.iter().for_each(|remark| print(remark));
        if !imported.is_good() {
            let wrong = imported.rows.iter().filter(|row| row.result == RowOutcome::Error).count();
            print(&format!("{wrong} of {} rows are wrong; nothing was stored", imported.rows.len()));
            return Ok(ExitCode::from(1));
        }
        let new = imported.new_rows();
        if self.dry_run {
            print(&format!("{new} of {} rows are new; nothing was stored, it was only tried", imported.rows.len()));
            return Ok(ExitCode::SUCCESS);
        }
        work.finish(None).await?;
        drop(telling);
        print(&format!("{new} of {} rows were new and are stored", imported.rows.len()));
        Ok(ExitCode::SUCCESS)
    }
    fn read(&self) -> Result<Vec<u8>> {
        let mut file = Vec::new();
        match &self.from {
            None => io::stdin().read_to_end(&mut file).map_err(|error| environment(format!("cannot read standard input: {error}")))?,
            Some(path) => File::open(path)
                .and_then(|mut from| from.read_to_end(&mut file))
                .map_err(|error| environment(format!("cannot read {}: {error}", path.display())))?,
        };
        Ok(file)
    }
}

/// The app on a database that is there, and the workshop of a name in it.
async fn open(database: &Database, name: &str) -> Result<(App, Id<Workshop>)> {
    database.must_be_there()?;
    let app = App::new(Store::open(&database.url).await?, Clock::System);
    let all = store::workshop::all(&mut app.store.read().await?).await?;
    let mut named = all.iter().filter(|workshop| workshop.name == name.trim());
    match (named.next(), named.next()) {
        (Some(workshop), None) => Ok((app, workshop.id)),
        (Some(_), Some(_)) => Err(Error::invalid("/workshop", "Several workshops have this name; give one of them another name first.")),
        (None, _) => {
            let known: Vec<_> = all.iter().map(|workshop| workshop.name.as_str()).collect();
            Err(Error::invalid("/workshop", format!("There is no workshop {name:?} here; there is {}.", known.join(", "))))
        }
    }
}
