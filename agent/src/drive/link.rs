//! How a drive is reached: opening a link and putting one read over it. A new kind of link is an arm here.

use std::borrow::Cow;
use std::time::Duration;

use tallyhook_config::model::{Drive, Link, Table};
use tokio::net::TcpStream;
use tokio_modbus::client::{Client, Context, tcp};
use tokio_modbus::{Error, ProtocolError, Slave};
use tokio_modbus::{Request as Call, Response};

use super::LinkState;
use super::decode::Answer;
use super::plan::Request;

/// Opens a link to the drive; the error is the state that it leaves the link in.
pub(super) async fn open(drive: &Drive, limit: Duration) -> Result<Context, LinkState> {
    match &drive.link {
        Link::Tcp { address } => {
            let stream = match tokio::time::timeout(limit, TcpStream::connect(address.as_str())).await {
                Ok(Ok(stream)) => stream,
                Ok(Err(error)) => return Err(LinkState::Unreachable(format!("{address}: {error}"))),
                Err(_) => return Err(LinkState::Unreachable(format!("{address}: no answer to the call"))),
            };
            // Small questions, small answers: waiting to fill a packet would only cost cadence.
            if let Err(error) = stream.set_nodelay(true) {
                tracing::debug!(%address, %error, "packets may be held back");
            }
            Ok(tcp::attach_slave(stream, Slave(drive.unit)))
        }
    }
}

/// What became of one read over a link that stands.
pub(super) enum Outcome {
    /// An answer of the right kind and length, or a refusal.
    Answered(Answer),
    /// A refusal: the exception code.
    Refused(u8),
    /// The link cannot be trusted any more: drop it.
    Lost(LinkState),
}

/// Puts one read. Only the four read functions can be put from here.
///
/// The calls go through [`Client::call`], not the codec's typed readers: those assert the answer's length in debug
/// builds, and a device that sends a wrong one must not bring the poller down.
pub(super) async fn read(context: &mut Context, request: Request, limit: Duration) -> Outcome {
    let Request { table, address, count } = request;
    let call: Call<'static> = match table {
        Table::Coil => Call::ReadCoils(address, count),
        Table::Discrete => Call::ReadDiscreteInputs(address, count),
        Table::Holding => Call::ReadHoldingRegisters(address, count),
        Table::Input => Call::ReadInputRegisters(address, count),
    };
    let response = match tokio::time::timeout(limit, context.call(call)).await {
        Err(_) => return Outcome::Lost(LinkState::Silent),
        Ok(Err(error)) => return Outcome::Lost(LinkState::Broken(plain(&error).into_owned())),
        Ok(Ok(Err(exception))) => return Outcome::Refused(exception.into()),
        Ok(Ok(Ok(response))) => response,
    };
    let wanted = usize::from(count);
    match (table, response) {
        (Table::Holding, Response::ReadHoldingRegisters(words))
        | (Table::Input, Response::ReadInputRegisters(words))
            if words.len() == wanted =>
        {
            Outcome::Answered(Answer::Words(words))
        }
        // Contacts come in whole bytes: up to seven more than were asked for.
        (Table::Coil, Response::ReadCoils(mut contacts))
        | (Table::Discrete, Response::ReadDiscreteInputs(mut contacts))
            if contacts.len() == wanted || contacts.len() == wanted.div_ceil(8) * 8 =>
        {
            contacts.truncate(wanted);
            Outcome::Answered(Answer::Contacts(contacts))
        }
        _ => Outcome::Lost(LinkState::Broken("an answer of the wrong length or kind".into())),
    }
}

/// The error in plain words. The kind of a transport error is not looked at: when the peer closes, the codec reports
/// whatever the system's last error was.
fn plain(error: &Error) -> Cow<'static, str> {
    match error {
        Error::Transport(_) => "the drive closed it, or the network did".into(),
        Error::Protocol(ProtocolError::HeaderMismatch { .. }) => "an answer to another question came".into(),
        Error::Protocol(ProtocolError::FunctionCodeMismatch { .. }) => "an answer of another function came".into(),
    }
}
