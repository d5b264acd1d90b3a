//! What a link speaks through: a stream of bytes, opened by a [`Ports`], so that a simulator can give its own.

use std::future::Future;
use std::io;
use std::pin::Pin;

use tallyhook_config::model::{Line, Link};
use tallyhook_config::wire::{Parity, Speed};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_serial::SerialPortBuilderExt;

/// A stream of bytes to a device or a line of devices.
pub trait Port: AsyncRead + AsyncWrite + Send + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Unpin> Port for T {}

/// A stream that is being opened.
pub type Opening = Pin<Box<dyn Future<Output = io::Result<Box<dyn Port>>> + Send>>;

/// Opens streams; the one seam between a link and the world.
pub trait Ports: Send + Sync {
    /// Opens the stream of a link. The caller bounds the time it may take.
    fn open(&self, link: &Link) -> Opening;
}

/// The machine's own sockets and serial ports.
#[derive(Clone, Copy, Default, Debug)]
pub struct SystemPorts;

impl Ports for SystemPorts {
    fn open(&self, link: &Link) -> Opening {
        match link.clone() {
            Link::Tcp { address } => Box::pin(socket(address)),
            Link::Bus(bus) => match bus.line {
                Line::Gateway { address, .. } => Box::pin(socket(address)),
                Line::Serial { device, speed, rs485 } => Box::pin(async move { serial(&device, speed, rs485) }),
            },
        }
    }
}

async fn socket(address: String) -> io::Result<Box<dyn Port>> {
    let stream = TcpStream::connect(address.as_str()).await?;
    // Small questions, small answers: waiting to fill a packet would only cost cadence.
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%address, %error, "packets may be held back");
    }
    Ok(Box::new(stream))
}

fn serial(device: &str, speed: Speed, rs485: bool) -> io::Result<Box<dyn Port>> {
    if rs485 {
        direction(device)?;
    }
    let parity = match speed.parity {
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
        Parity::None => tokio_serial::Parity::None,
    };
    let stop_bits = if speed.stop_bits == 2 { tokio_serial::StopBits::Two } else { tokio_serial::StopBits::One };
    let builder = tokio_serial::new(device, speed.baud)
        .data_bits(tokio_serial::DataBits::Eight)
        .parity(parity)
        .stop_bits(stop_bits)
        .flow_control(tokio_serial::FlowControl::None);
    // Opened for this process alone: a second master on the line would garble both.
    let port = builder.open_native_async().map_err(io::Error::from)?;
    Ok(Box::new(port))
}

/// Has the kernel switch the transceiver between sending and receiving. The setting stays with the port, so it is made
/// through a handle of its own before the port is opened for use.
fn direction(device: &str) -> io::Result<()> {
    let refused = |error: io::Error| {
        let words = format!("the kernel does not switch this port's RS-485 direction ({error}); take `rs485` out");
        io::Error::new(error.kind(), words)
    };
    let port = serial2::SerialPort::open(device, serial2::KeepSettings)?;
    port.set_rs4xx_mode(serial2::rs4xx::TransceiverMode::Rs485(serial2::rs4xx::Rs485Config::new())).map_err(refused)
}
