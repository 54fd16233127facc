//! `tarewell notify-test`: one message to each phone, and what came of it.

use super::file;
use crate::alert::Severity;
use crate::notify::{Letter, Phone, Request, Sender, place};
use std::io::{self, Write};
use std::path::Path;

/// Reads the file, tests each phone, and returns the exit code: 0 all took it, 1 some did not, 2 the file is not good.
#[must_use]
pub fn from_file(config: Option<&Path>) -> i32 {
    match file::load(config) {
        Ok((_, checked)) => {
            let sent = run(&checked.phones, &checked.plan.name, &Sender::default(), &mut io::stdout());
            i32::from(!sent.unwrap_or(false))
        }
        Err(error) => {
            eprintln!("{error}");
            2
        }
    }
}

/// Sends a test message to each phone, whatever its quiet hours, and says on `out` how each went; no secrets.
/// `true` if all took it, and there is at least one.
///
/// # Errors
/// When `out` cannot be written to.
pub fn run(phones: &[Phone], site: &str, sender: &Sender, out: &mut dyn Write) -> io::Result<bool> {
    if phones.is_empty() {
        writeln!(out, "The configuration has no `notify`, so nobody is told of any alert.")?;
    }
    let mut all = !phones.is_empty();
    for phone in phones {
        let letter = letter(site, &phone.name);
        let outcome = sender.post(&Request::of_letter(phone, &letter));
        all &= outcome.is_ok();
        match outcome {
            Ok(status) => writeln!(out, "{}: {} took it ({status})", phone.name, place(phone.url.reveal()))?,
            Err(error) => writeln!(out, "{}: not told; {error}", phone.name)?,
        }
    }
    Ok(all)
}

fn letter(site: &str, phone: &str) -> Letter {
    Letter {
        title: format!("Test from {site}"),
        text: format!("tarewell can reach {phone}. Alerts will look like this. ✓ Nothing is to be done."),
        severity: Severity::Notice,
    }
}
