//! Samples on disk: the CSV that people exchange, and the recorder's own ring.

mod block;
pub mod csv;
mod decimal;
mod error;
mod lines;
mod quick;
pub mod recording;
pub mod rows;
mod signals;
#[cfg(test)]
mod testing;

use std::path::Path;

use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::sample::Sample;

pub use error::SamplesError;
pub use signals::SignalSet;

/// Samples from a file of either kind, in their order.
#[derive(Debug)]
pub enum SampleSource {
    /// A samples file.
    Csv(Box<csv::CsvSamples>),
    /// Files of the recorder.
    Recording(Box<recording::Recording>),
}

/// Opens samples: a CSV file, a `.thr` file of the recorder, or a directory of such files.
///
/// # Errors
/// When there is nothing of the kind, or the CSV's header is not in order.
pub fn open(path: &Path) -> Result<SampleSource, SamplesError> {
    if path.is_dir() {
        recording::Recording::of_directory(path).map(|files| SampleSource::Recording(Box::new(files)))
    } else if path.extension().is_some_and(|extension| extension == recording::EXTENSION) {
        recording::Recording::of_file(path).map(|file| SampleSource::Recording(Box::new(file)))
    } else {
        csv::CsvSamples::open(path).map(|rows| SampleSource::Csv(Box::new(rows)))
    }
}

impl SampleSource {
    /// Which signals the samples can hold.
    pub fn signals(&self) -> SignalSet {
        match self {
            SampleSource::Csv(rows) => rows.signals(),
            SampleSource::Recording(_) => SignalSet::ALL,
        }
    }

    /// Puts the next samples at the end of `out`, some hundred at a time; `false` at the end. The same samples as the
    /// iterator gives, but sooner.
    ///
    /// # Errors
    /// At the place where the iterator would give it; what came before it is in `out`.
    pub fn next_block(&mut self, out: &mut Batch) -> Result<bool, SamplesError> {
        match self {
            SampleSource::Csv(rows) => rows.next_block(out),
            SampleSource::Recording(recording) => recording.next_block(out),
        }
    }
}

impl Iterator for SampleSource {
    type Item = Result<Sample, SamplesError>;

    fn next(&mut self) -> Option<Self::Item> {
        match self {
            SampleSource::Csv(rows) => rows.next(),
            SampleSource::Recording(recording) => recording.next(),
        }
    }
}
