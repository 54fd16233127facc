//! What can be wrong with a store, in words.

use std::fmt;
use std::path::PathBuf;

/// Why a store cannot be opened, read or written.
#[derive(Debug)]
pub enum StoreError {
    /// Another process has it.
    InUse {
        /// The file.
        path: PathBuf,
        /// The process that has it, if it said so.
        process: Option<u32>,
    },
    /// The file is something else altogether.
    NotSqlite(PathBuf),
    /// A database of another application.
    Foreign(PathBuf),
    /// Written by a later version of this program.
    Newer {
        /// The file.
        path: PathBuf,
        /// The version of its layout.
        found: i64,
        /// The newest layout known here.
        known: i64,
    },
    /// The file was deleted, moved or replaced while it was open.
    Gone(PathBuf),
    /// The file or its folder cannot be used.
    Io {
        /// What was tried.
        doing: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// SQLite refused.
    Sql {
        /// What was tried.
        doing: &'static str,
        /// What SQLite says.
        source: rusqlite::Error,
    },
}

impl StoreError {
    pub(super) const fn sql(doing: &'static str) -> impl FnOnce(rusqlite::Error) -> Self {
        move |source| Self::Sql { doing, source }
    }

    /// Whether the very content of a write was refused: the same again cannot succeed.
    #[must_use]
    pub fn hopeless(&self) -> bool {
        use rusqlite::ErrorCode::{ConstraintViolation, TooBig, TypeMismatch};
        match self {
            Self::Sql { source, .. } => {
                matches!(source.sqlite_error_code(), Some(ConstraintViolation | TypeMismatch | TooBig))
            }
            _ => false,
        }
    }
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::InUse { path, process } => {
                write!(f, "the store {} is in use by another process", path.display())?;
                if let Some(process) = process {
                    write!(f, " (number {process})")?;
                }
                write!(f, "; two at once would each undo what the other knows: stop that one, or name another `store`")
            }
            Self::NotSqlite(path) => write!(
                f,
                "{} is not a store of tarewell, nor any SQLite file; nothing in it was changed: name another `store`, or move it away",
                path.display()
            ),
            Self::Foreign(path) => write!(
                f,
                "{} is a database of another application; nothing in it was changed: name another `store`",
                path.display()
            ),
            Self::Newer { path, found, known } => write!(
                f,
                "the store {} was written by a newer tarewell (layout {found}; this one knows up to {known}); nothing in it was changed: \
                 install that version again, or put back the copy it made before, {}.before-layout-{}",
                path.display(),
                path.display(),
                known + 1
            ),
            Self::Gone(path) => write!(
                f,
                "the store {} was deleted, moved or replaced while tarewell runs: what it had is lost unless that very file comes back, and \
                 no valve is opened meanwhile. Stop tarewell, put the file or a copy of it back, and start again",
                path.display()
            ),
            Self::Io { doing, path, source } => write!(f, "cannot {doing} {}: {source}", path.display()),
            Self::Sql { doing, source } => match source.sqlite_error_code() {
                Some(rusqlite::ErrorCode::DatabaseCorrupt) => write!(
                    f,
                    "cannot {doing}: the store is damaged ({source}); move it away and put back a copy, or start with an empty one"
                ),
                Some(rusqlite::ErrorCode::DiskFull) => write!(f, "cannot {doing}: the disk is full"),
                Some(rusqlite::ErrorCode::DatabaseBusy) => {
                    write!(f, "cannot {doing}: another program is writing to the store")
                }
                _ => write!(f, "cannot {doing}: {source}"),
            },
        }
    }
}

impl std::error::Error for StoreError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io { source, .. } => Some(source),
            Self::Sql { source, .. } => Some(source),
            _ => None,
        }
    }
}
