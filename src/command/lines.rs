//! Lines of a file of any size, in constant memory.

use std::io::{self, Read};

/// Longer lines are an error, in bytes.
pub(super) const MAX_LINE: usize = 64 * 1024;

const BUFFER: usize = 4 * MAX_LINE;

/// Hands out lines where they lie in the buffer, without copying them.
pub(super) struct Lines<R> {
    from: R,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    ended: bool,
    number: u64,
    read: u64,
}

impl<R: Read> Lines<R> {
    pub(super) fn new(from: R) -> Self {
        Self { from, buffer: vec![0; BUFFER], start: 0, end: 0, ended: false, number: 0, read: 0 }
    }

    /// The next line with its number, from 1, and without its line feed or carriage return; an error in place of a
    /// line that is too long. `None` at the end. `progress` gets the bytes read so far whenever there are more.
    #[expect(clippy::type_complexity, reason = "a line or its fault, if there is one, if reading went well")]
    pub(super) fn next_line(
        &mut self,
        progress: &mut impl FnMut(u64),
    ) -> io::Result<Option<(u64, Result<&[u8], String>)>> {
        let mut searched = 0;
        let (line, next) = loop {
            let held = self.held();
            if let Some(length) = line_feed(held.get(searched..).unwrap_or_default()) {
                let end = self.start + searched + length;
                break (self.start..end, end + 1);
            }
            searched = held.len();
            if self.ended {
                if searched == 0 {
                    return Ok(None);
                }
                break (self.start..self.end, self.end);
            }
            if searched > MAX_LINE {
                self.skip_line(progress)?;
                self.number += 1;
                return Ok(Some((self.number, too_long())));
            }
            self.fill(progress)?;
        };
        self.start = next.min(self.end);
        self.number += 1;
        let line = self.buffer.get(line).unwrap_or_default();
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        let line = if line.len() > MAX_LINE { too_long() } else { Ok(line) };
        Ok(Some((self.number, line)))
    }

    fn held(&self) -> &[u8] {
        self.buffer.get(self.start..self.end).unwrap_or_default()
    }

    /// Moves what is held to the front, and reads more behind it.
    fn fill(&mut self, progress: &mut impl FnMut(u64)) -> io::Result<()> {
        self.buffer.copy_within(self.start..self.end, 0);
        (self.start, self.end) = (0, self.end - self.start);
        let room = self.buffer.get_mut(self.end..).unwrap_or_default();
        let count = loop {
            match self.from.read(room) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                done => break done?,
            }
        };
        self.ended = count == 0;
        self.end += count;
        self.read += count as u64;
        progress(self.read);
        Ok(())
    }

    /// Forgets everything up to the next line feed, or the end.
    fn skip_line(&mut self, progress: &mut impl FnMut(u64)) -> io::Result<()> {
        while !self.ended {
            if let Some(length) = line_feed(self.held()) {
                self.start += length + 1;
                return Ok(());
            }
            self.start = self.end;
            self.fill(progress)?;
        }
        Ok(())
    }
}

fn too_long<'l>() -> Result<&'l [u8], String> {
    Err(format!("it is longer than {MAX_LINE} bytes"))
}

/// Where the first line feed is; looks at sixteen bytes at a time, which compilers turn into one comparison.
fn line_feed(bytes: &[u8]) -> Option<usize> {
    let (blocks, _) = bytes.as_chunks::<16>();
    let is_in = |block: &[u8; 16]| block.iter().fold(0, |found, byte| found | u8::from(*byte == b'\n')) != 0;
    let begin = blocks.iter().position(is_in).unwrap_or(blocks.len()) * 16;
    let rest = bytes.get(begin..).unwrap_or_default();
    rest.iter().position(|byte| *byte == b'\n').map(|at| begin + at)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reads a few bytes at a time, as a pipe does.
    struct Drops<'t>(&'t [u8], usize);

    impl Read for Drops<'_> {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            let count = self.1.min(self.0.len()).min(into.len());
            into[..count].copy_from_slice(&self.0[..count]);
            self.0 = &self.0[count..];
            Ok(count)
        }
    }

    fn all(text: &[u8], step: usize) -> Vec<(u64, Result<Vec<u8>, String>)> {
        let mut lines = Lines::new(Drops(text, step));
        let mut all = Vec::new();
        while let Some((number, line)) = lines.next_line(&mut |_| ()).unwrap() {
            all.push((number, line.map(<[u8]>::to_vec)));
        }
        all
    }

    #[test]
    fn splits_lines_as_the_standard_library_does() {
        let text = "time,stand,value\r\n\n2026-03-04T08:15:00Z,south-1,3300.0\nlast without a line feed";
        for step in [1, 7, 16, 1000] {
            let expected: Vec<_> =
                text.lines().enumerate().map(|(i, line)| (i as u64 + 1, Ok(line.as_bytes().to_vec()))).collect();
            assert_eq!(all(text.as_bytes(), step), expected, "{step} bytes at a time");
        }
        assert!(all(b"", 8).is_empty());
    }

    #[test]
    fn a_line_too_long_is_told_and_the_next_is_read() {
        for length in [MAX_LINE + 1, MAX_LINE * 2, BUFFER + 5, BUFFER * 3] {
            let text = [b"first\n".as_slice(), &vec![b'x'; length], b"\nthird\n"].concat();
            for step in [1000, BUFFER] {
                let lines = all(&text, step);
                assert_eq!(lines.len(), 3, "{length} by {step}");
                assert!(lines[1].1.as_ref().is_err_and(|why| why.contains("65536")));
                assert_eq!(lines[2], (3, Ok(b"third".to_vec())));
            }
        }
        let longest = vec![b'x'; MAX_LINE];
        assert_eq!(all(&longest, 1000), vec![(1, Ok(longest.clone()))]);
    }
}
