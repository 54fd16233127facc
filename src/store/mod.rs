//! What must survive: one SQLite file with what the engine knows, what happened, and the weights for plots.
//!
//! [`Store`] is the file, opened by one process at a time. [`Writer`] gives it a thread of its own, so that a slow or
//! full disk never stops the engine. [`Reader`] reads beside a writer. The store does not look into the JSON it keeps.

mod compact;
mod error;
mod file;
mod history;
mod lock;
mod queue;
mod schema;
mod words;
mod writer;

pub use error::StoreError;
pub use file::Store;
pub use history::{AT_MOST, Reader, thin};
pub use words::{Fact, KeptEvent, Of, Point, RaisedAlert, Saved, Write};
pub use writer::{Flush, Report, Writer};
