//! `tarewell notify-test`: one message to each phone, and what came of it.

use crate::alert::Severity;
use crate::notify::{Letter, Phone, Request, Sender, place};
use std::io::{self, Write};

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
