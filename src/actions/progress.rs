//! How far long work has come, for whoever watches it on the same server.
use std::{
    collections::HashMap,
    fmt,
    sync::{Arc, Mutex},
};

use uuid::Uuid;

use crate::domain::{id::Id, quantity::grouped, workshop::Workshop};

/// What long work is at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stage {
    /// The file is read.
    #[default]
    Reading,
    /// Its rows are looked at and entered.
    Rows,
    /// What is due is worked out, motorcycle by motorcycle.
    Due,
    /// The words of what is new are taken into the search.
    Words,
}

/// How far it has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Step {
    /// What it is at.
    pub stage: Stage,
    /// How many are done.
    pub done: usize,
    /// Of how many; 0 where that is not known.
    pub all: usize,
}
impl fmt::Display for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        #[expect(clippy::cast_precision_loss, reason = "rows of a file are far below 2^53")]
        let [done, all] = [self.done, self.all].map(|count| grouped(count as f64));
        match self.stage {
            Stage::Reading => write!(f, "Reading the file"),
            Stage::Rows => write!(f, "{done} of {all} rows"),
            Stage::Due => write!(f, "Working out what is due: {done} of {all} motorcycles"),
            Stage::Words => write!(f, "Making it searchable"),
        }
    }
}

/// The progress of one piece of work, shared with those who watch.
#[derive(Clone, Debug, Default)]
pub struct Progress(Arc<Mutex<Step>>);
impl Progress {
    /// Begins a stage.
    pub fn begin(&self, stage: Stage, all: usize) {
        self.set(|step| *step = Step { stage, done: 0, all });
    }
    /// So many more are done.
    pub fn add(&self, more: usize) {
        self.set(|step| step.done += more);
    }
    /// How far it has come.
    #[must_use]
    pub fn step(&self) -> Step {
        self.0.lock().map(|step| *step).unwrap_or_default()
    }
    fn set(&self, change: impl FnOnce(&mut Step)) {
        if let Ok(mut step) = self.0.lock() {
            change(&mut step);
        }
    }
}

/// What is worked on, and where.
type Of = (Id<Workshop>, Uuid);

/// What can be watched now, by the id of what is worked on.
#[derive(Clone, Debug, Default)]
pub struct Watched(Arc<Mutex<HashMap<Of, Progress>>>);
impl Watched {
    /// How far the work on this has come; `None` where nothing works on it here.
    #[must_use]
    pub fn step(&self, of: Of) -> Option<Step> {
        self.0.lock().ok()?.get(&of).map(Progress::step)
    }
    /// Work that can be watched until the answer is dropped.
    #[must_use]
    pub fn watch(&self, of: Of) -> Watch {
        let progress = Progress::default();
        if let Ok(mut all) = self.0.lock() {
            all.insert(of, progress.clone());
        }
        Watch { all: self.clone(), of, progress }
    }
}

/// Ends the watching when it is dropped.
#[derive(Debug)]
pub struct Watch {
    all: Watched,
    of: Of,
    /// Where the work says how far it has come.
    pub progress: Progress,
}
impl Drop for Watch {
    fn drop(&mut self) {
        if let Ok(mut all) = self.all.0.lock() {
            all.remove(&self.of);
        }
    }
}
