//! One process at a time: a lock on a file beside the store, which the system lets go of when the process ends, however it ends.

use super::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Held as long as it lives. The file stays behind: removing it would open a gap in which two could hold one.
#[derive(Debug)]
pub struct Lock {
    file: File,
}

impl Lock {
    /// Takes the lock of a store, or says who has it.
    pub fn take(store: &Path) -> Result<Self, StoreError> {
        let path = beside(store, ".lock");
        let io = |doing| {
            let path = path.clone();
            move |source| StoreError::Io { doing, path, source }
        };
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(io("open the lock of the store,"))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::InUse { path: store.to_owned(), process: holder(&mut file) });
            }
            Err(TryLockError::Error(source)) => return Err(io("lock the store with")(source)),
        }
        // Only for the words of a refusal; the lock holds without it, also on a full disk.
        let _ = sign(&mut file);
        Ok(Self { file })
    }
}

impl Drop for Lock {
    /// Closing would do, but not while a process that is just being started still has a copy of what we had open.
    fn drop(&mut self) {
        let _ = self.file.unlock();
    }
}

fn sign(file: &mut File) -> std::io::Result<()> {
    file.set_len(0)?;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(std::process::id().to_string().as_bytes())
}

fn holder(file: &mut File) -> Option<u32> {
    let mut text = String::new();
    file.take(20).read_to_string(&mut text).ok()?;
    text.trim().parse().ok()
}

/// The path with something added to its last part.
pub fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}
