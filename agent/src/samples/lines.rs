//! Lines of a text file, a large piece of it at a time.

use std::io::{self, Read};

/// What is read at once.
const PIECE: usize = 64 * 1024;

/// Lines of anything that can be read, up to the first quotation mark: from that line on only a real CSV reader knows
/// where a row ends, and [`Lines::rest`] has all that is left for it.
pub(super) struct Lines {
    source: Box<dyn Read + Send>,
    piece: Vec<u8>,
    /// What of the piece is read from the source, and not given yet.
    from: usize,
    to: usize,
    /// Lines given.
    count: u64,
    ended: bool,
}

/// What comes next.
pub(super) enum Next {
    /// A line without its end, as a range of [`Lines::text`].
    Line(std::ops::Range<usize>),
    /// A line with a quotation mark in it; nothing of it was taken.
    Quoted,
    /// Nothing.
    End,
}

impl Lines {
    pub fn of(source: impl Read + Send + 'static) -> Self {
        Lines { source: Box::new(source), piece: vec![0; PIECE], from: 0, to: 0, count: 0, ended: false }
    }

    /// Lines given so far: the number of the last one.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// What the range of a line is of.
    pub fn text(&self) -> &[u8] {
        &self.piece
    }

    /// What is here of the lines that were not given, from the beginning of the next.
    pub fn held(&self) -> &[u8] {
        &self.piece[self.from..self.to]
    }

    /// So many lines, without a quotation mark and with their ends, were taken from what is [`Lines::held`].
    pub fn took(&mut self, bytes: usize, lines: u64) {
        self.from = (self.from + bytes).min(self.to);
        self.count += lines;
    }

    pub fn next(&mut self) -> io::Result<Next> {
        let mut looked = 0;
        loop {
            let held = &self.piece[self.from..self.to];
            let length = match memchr::memchr2(b'\n', b'"', &held[looked..]) {
                Some(place) if held[looked + place] == b'"' => return Ok(Next::Quoted),
                Some(place) => looked + place,
                None if !self.ended => {
                    looked = held.len();
                    self.read_on()?;
                    continue;
                }
                None if held.is_empty() => return Ok(Next::End),
                // The last line has no end.
                None => held.len(),
            };
            let line = self.from..self.from + length;
            self.from = (line.end + 1).min(self.to);
            self.count += 1;
            return Ok(Next::Line(line));
        }
    }

    /// Everything that was not given.
    pub fn rest(&mut self) -> impl Read + Send + use<> {
        let held = self.piece[self.from..self.to].to_vec();
        let source = std::mem::replace(&mut self.source, Box::new(io::empty()));
        (self.from, self.to, self.ended) = (0, 0, true);
        io::Cursor::new(held).chain(source)
    }

    fn read_on(&mut self) -> io::Result<()> {
        self.piece.copy_within(self.from..self.to, 0);
        (self.from, self.to) = (0, self.to - self.from);
        if self.piece.len() - self.to < PIECE / 2 {
            self.piece.resize(self.piece.len() + PIECE, 0);
        }
        loop {
            match self.source.read(&mut self.piece[self.to..]) {
                Ok(read) => {
                    self.to += read;
                    self.ended = read == 0;
                    return Ok(());
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }
}
