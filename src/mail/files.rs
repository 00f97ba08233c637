//! Letters as files: the way out where there is no mail server.
use std::{
    io::Write,
    path::{Path, PathBuf},
};

use crate::domain::{
    id::Id,
    letter::{Letter, Outcome},
};

/// Writes a letter as `ID.eml`: under another name first, so that whoever looks finds whole files only. A second copy takes the first one's place.
pub async fn write(folder: PathBuf, id: Id<Letter>, bytes: Vec<u8>) -> Outcome {
    let done = tokio::task::spawn_blocking(move || whole_file(&folder, id, &bytes)).await;
    match done {
        Ok(Ok(())) => Outcome::Accepted("Written as a file.".into()),
        Ok(Err(error)) => Outcome::Later(format!("The file could not be written: {error}.")),
        Err(error) => Outcome::Later(format!("The file could not be written: {error}.")),
    }
}

fn whole_file(folder: &Path, id: Id<Letter>, bytes: &[u8]) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let part = folder.join(format!(".{id}.part"));
    let mut file = std::fs::File::create(&part)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    std::fs::rename(&part, folder.join(format!("{id}.eml")))?;
    #[cfg(unix)]
    std::fs::File::open(folder)?.sync_all()?;
    Ok(())
}
