//! Writing files: never over one that is there unless told so, and never half.

use std::io::Write;
use std::path::Path;

use crate::ending::Failure;

/// Writes a new file. With `force` it may replace an old one; the old one stays whole until the new one is.
///
/// # Errors
///
/// If something is there and `force` is not given, or the folder does not take the file.
pub fn write_new(path: &Path, content: impl AsRef<[u8]>, force: bool) -> Result<(), Failure> {
    let content = content.as_ref();
    check_free(path, force)?;
    let shown = path.display();
    let refused = |error: &std::io::Error| {
        let help = match error.kind() {
            std::io::ErrorKind::NotFound => "make the folder first, or name another place",
            std::io::ErrorKind::PermissionDenied => "name a place where you may write",
            std::io::ErrorKind::StorageFull => "make room, or name another place",
            _ => "name another place",
        };
        Failure::new(format!("cannot write `{shown}`: {error}")).help(help)
    };
    if !force {
        // `create_new` holds even if somebody made the file since the check.
        let mut file = std::fs::File::create_new(path).map_err(|error| refused(&error))?;
        return file.write_all(content).and_then(|()| file.sync_all()).map_err(|error| {
            let _ = std::fs::remove_file(path);
            refused(&error)
        });
    }
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let beside = path.with_file_name(name);
    let written = std::fs::File::create_new(&beside)
        .and_then(|mut file| file.write_all(content).and_then(|()| file.sync_all()))
        .and_then(|()| std::fs::rename(&beside, path));
    written.map_err(|error| {
        let _ = std::fs::remove_file(&beside);
        refused(&error)
    })
}

/// Refuses a path where something is, before long work is done for it.
///
/// # Errors
///
/// If something is there and `force` is not given, or it is a folder.
pub fn check_free(path: &Path, force: bool) -> Result<(), Failure> {
    let shown = path.display();
    if path.is_dir() {
        return Err(Failure::new(format!("`{shown}` is a folder")).help("name a file in it"));
    }
    // A link that points nowhere is there too.
    if !force && path.symlink_metadata().is_ok() {
        return Err(Failure::new(format!("`{shown}` is there already, and is left as it is"))
            .help("name another file, or give --force to replace it"));
    }
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty() && !folder.is_dir()) {
        return Err(Failure::new(format!(
            "cannot write `{shown}`: there is no folder `{}`",
            folder.display()
        ))
        .help("make the folder first, or name another place"));
    }
    Ok(())
}
