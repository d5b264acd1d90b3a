//! A polite look at a range of a device: one read at a time, a pause before each, and smaller ones where it refuses.

use std::collections::VecDeque;
use std::time::Duration;

use tallyhook_analysis::units::Span;
use tallyhook_config::model::Table;

use super::LinkState;
use super::decode::Answer;
use super::link::{Link, ReadError};
use super::plan::Request;
use crate::clock::Clock;

/// What is asked for, and how politely.
#[derive(Clone, Copy, Debug)]
pub struct Survey {
    /// Unit identifier of the device.
    pub unit: u8,
    /// Which table.
    pub table: Table,
    /// First address.
    pub from: u16,
    /// Last address.
    pub to: u16,
    /// Most registers or contacts in one read; at least 1.
    pub block: u16,
    /// Pause before each read.
    pub every: Span,
    /// Longest wait for an answer.
    pub limit: Duration,
}

/// What a survey found.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Found {
    /// Addresses that answered, with their word or contact, by address.
    pub words: Vec<(u16, u16)>,
    /// Addresses that were refused, with the exception code, by address.
    pub refused: Vec<(u16, u8)>,
    /// Reads put.
    pub reads: u32,
    /// Why it ended before its time, and where.
    pub ended: Option<(u16, LinkState)>,
}

/// Surveys a range over a link, which may be closed. `said` is told of each read.
pub async fn survey(link: &mut Link, survey: &Survey, clock: &Clock, said: impl Fn(Request)) -> Found {
    let mut found = Found::default();
    let mut blocks: VecDeque<Request> = blocks(survey).collect();
    // A device may pass over in silence what it does not have: each block is tried twice, and two that stay silent
    // one after the other end it.
    let mut silent = 0;
    while let Some(request) = blocks.pop_front() {
        clock.sleep(survey.every).await;
        said(request);
        found.reads += 1;
        let answer = match open(link, survey.limit).await {
            Ok(()) => link.read(survey.unit, request, survey.limit).await,
            Err(state) => Err(ReadError::Lost(state)),
        };
        match answer {
            Ok(answer) => {
                silent = 0;
                found.words.extend((request.address..=u16::MAX).zip(words(answer)));
            }
            // The function as a whole is not known: no address will do.
            Err(ReadError::Refused(1)) => {
                let code = LinkState::Exception { function: request.function(), code: 1, address: request.address };
                found.ended = Some((request.address, code));
                return found;
            }
            Err(ReadError::Refused(code)) if request.count == 1 || matches!(code, 10 | 11) => {
                silent = 0;
                found.refused.extend((0..request.count).map(|n| (request.address + n, code)));
            }
            Err(ReadError::Refused(_)) => {
                silent = 0;
                let half = request.count / 2;
                let (address, count) = (request.address + half, request.count - half);
                blocks.push_front(Request { address, count, ..request });
                blocks.push_front(Request { count: half, ..request });
            }
            Err(ReadError::Lost(_)) if silent == 0 => {
                silent += 1;
                blocks.push_front(request);
            }
            Err(ReadError::Lost(state)) => {
                found.ended = Some((request.address, state));
                return found;
            }
        }
    }
    found
}

/// The range in blocks.
fn blocks(survey: &Survey) -> impl Iterator<Item = Request> + use<> {
    let Survey { table, from, to, block, .. } = *survey;
    let block = block.max(1);
    (from..=to).step_by(usize::from(block)).map(move |address| {
        let left = (u32::from(to) - u32::from(address) + 1).min(u32::from(block));
        Request { table, address, count: left as u16 }
    })
}

fn words(answer: Answer) -> Vec<u16> {
    match answer {
        Answer::Words(words) => words.into_vec(),
        Answer::Contacts(contacts) => contacts.into_iter().map(u16::from).collect(),
        Answer::Refused => Vec::new(),
    }
}

async fn open(link: &mut Link, limit: Duration) -> Result<(), LinkState> {
    if !link.is_open() {
        let port = link.opening(limit).await?;
        link.attach(port);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_range_is_cut_into_blocks_to_the_last_address() {
        let cut = |from, to, block| {
            let survey = Survey {
                unit: 1,
                table: Table::Holding,
                from,
                to,
                block,
                every: Span::ZERO,
                limit: Duration::from_secs(1),
            };
            blocks(&survey).map(|r| (r.address, r.count)).collect::<Vec<_>>()
        };
        assert_eq!(cut(0, 0, 16), [(0, 1)]);
        assert_eq!(cut(10, 30, 16), [(10, 16), (26, 5)]);
        assert_eq!(cut(65_530, 65_535, 4), [(65_530, 4), (65_534, 2)]);
        assert_eq!(cut(5, 4, 16), []);
    }
}
