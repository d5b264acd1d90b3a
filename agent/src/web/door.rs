//! The listener: plain, or with TLS. A handshake waits for nobody else, and nobody waits for it.

use std::net::SocketAddr;
use std::path::Path;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use rustix::net::sockopt;
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Page;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, oneshot};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

use crate::clock::Clock;

/// Connections held at a time; those beyond wait in the system's own queue, which is bounded.
const MOST_CONNECTIONS: usize = 256;

/// How long a handshake may take.
const HANDSHAKE: Span = Span::from_ms(10_000);

/// A caller who has said nothing for this long is asked by the kernel whether they are there, this often, and so many
/// times before the connection is over: a telephone that leaves the radio says no good-bye, and would keep its place.
const SILENT: Duration = Duration::from_secs(120);
const ASKED_EVERY: Duration = Duration::from_secs(30);
const ASKED: u32 = 4;

/// Who called: the address at the other end of the connection.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Caller(pub SocketAddr);

impl Connected<IncomingStream<'_, Door>> for Caller {
    fn connect_info(stream: IncomingStream<'_, Door>) -> Self {
        Caller(*stream.remote_addr())
    }
}

/// What the page's certificate makes of the listener; `None` without one. The error is a sentence with its mend.
pub fn tls(page: &Page) -> Result<Option<Arc<ServerConfig>>, String> {
    let Some((certificate, key)) = &page.tls else { return Ok(None) };
    let unread = |path: &Path, error: rustls::pki_types::pem::Error| {
        format!(
            "cannot read {} for the page's TLS: {error}; name a PEM file that the daemon's user can read",
            path.display()
        )
    };
    let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect)
        .map_err(|error| unread(certificate, error))?;
    let private = PrivateKeyDer::from_pem_file(key).map_err(|error| unread(key, error))?;
    let config = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, private))
        .map_err(|error| {
            format!(
                "{} and {} make no TLS for the page: {error}; give a certificate with its own key",
                certificate.display(),
                key.display()
            )
        })?;
    Ok(Some(Arc::new(config)))
}

/// A connection, plain or secured.
pub struct Line {
    inner: Inner,
    // Given back when the connection is over.
    _place: OwnedSemaphorePermit,
}

enum Inner {
    Plain(TcpStream),
    Secured(Box<TlsStream<TcpStream>>),
}

/// The listener.
pub struct Door {
    at: SocketAddr,
    way: Way,
    clock: Clock,
    // Ends with the task that shakes hands; nobody else tells of it.
    broken: Option<oneshot::Receiver<()>>,
}

enum Way {
    /// Callers are taken as they come.
    Plain(TcpListener, Arc<Semaphore>),
    /// Callers come when they have shaken hands; the task that sees to it ends with the door.
    Secured { calls: mpsc::Receiver<(Line, SocketAddr)>, _task: JoinSet<()> },
}

impl Door {
    /// Opens the door.
    pub fn new(listener: TcpListener, tls: Option<Arc<ServerConfig>>, clock: Clock) -> std::io::Result<Self> {
        let at = listener.local_addr()?;
        let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
        let (alive, broken) = oneshot::channel();
        let way = match tls {
            // Here the server itself takes the calls.
            None => Way::Plain(listener, places),
            Some(tls) => {
                let (sender, calls) = mpsc::channel(16);
                let mut task = JoinSet::new();
                let shaking = shake_hands(listener, places, TlsAcceptor::from(tls), sender, clock.clone());
                task.spawn(async move {
                    let _alive = alive;
                    shaking.await;
                });
                Way::Secured { calls, _task: task }
            }
        };
        let broken = matches!(way, Way::Secured { .. }).then_some(broken);
        Ok(Door { at, way, clock, broken })
    }

    /// Waits until the task that takes the calls has broken off, or the door is closed. It is asked once.
    pub fn broken(&mut self) -> impl Future<Output = ()> + Send + use<> {
        let broken = self.broken.take();
        async move {
            match broken {
                // Nothing is ever sent: an error is the sender that went with its task.
                Some(broken) => drop(broken.await),
                None => std::future::pending().await,
            }
        }
    }
}

/// The next call with the place that it takes.
async fn call(
    listener: &TcpListener,
    places: &Arc<Semaphore>,
    clock: &Clock,
) -> (TcpStream, SocketAddr, OwnedSemaphorePermit) {
    loop {
        // The semaphore is never closed; if it were, nobody should come in.
        let Ok(place) = places.clone().acquire_owned().await else { return std::future::pending().await };
        match listener.accept().await {
            Ok((stream, caller)) => {
                if let Err(error) = watch_over(&stream) {
                    tracing::debug!("a caller who vanishes will not be found out: {error}");
                }
                return (stream, caller, place);
            }
            Err(error) => {
                // Too many open files, say: the next call may find room again.
                tracing::warn!("the page could not take a call: {error}");
                clock.sleep(Span::from_seconds(clock.speed())).await;
            }
        }
    }
}

/// Has the kernel find out a caller who has vanished; nothing of ours is woken by it before it has.
fn watch_over(stream: &TcpStream) -> std::io::Result<()> {
    sockopt::set_socket_keepalive(stream, true)?;
    sockopt::set_tcp_keepidle(stream, SILENT)?;
    sockopt::set_tcp_keepintvl(stream, ASKED_EVERY)?;
    sockopt::set_tcp_keepcnt(stream, ASKED)?;
    Ok(())
}

async fn shake_hands(
    listener: TcpListener,
    places: Arc<Semaphore>,
    acceptor: TlsAcceptor,
    sender: mpsc::Sender<(Line, SocketAddr)>,
    clock: Clock,
) {
    let longest = clock.real(Span::from_seconds(HANDSHAKE.as_seconds() * clock.speed()));
    loop {
        let (stream, caller, place) = call(&listener, &places, &clock).await;
        let (sender, acceptor) = (sender.clone(), acceptor.clone());
        tokio::spawn(async move {
            if let Ok(Ok(stream)) = tokio::time::timeout(longest, acceptor.accept(stream)).await {
                let line = Line { inner: Inner::Secured(Box::new(stream)), _place: place };
                // A server that is gone needs no more calls.
                let _ = sender.send((line, caller)).await;
            }
        });
    }
}

impl Listener for Door {
    type Io = Line;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Line, SocketAddr) {
        match &mut self.way {
            Way::Plain(listener, places) => {
                let (stream, caller, place) = call(listener, places, &self.clock).await;
                (Line { inner: Inner::Plain(stream), _place: place }, caller)
            }
            Way::Secured { calls, .. } => match calls.recv().await {
                Some(call) => call,
                None => std::future::pending().await,
            },
        }
    }

    fn local_addr(&self) -> std::io::Result<SocketAddr> {
        Ok(self.at)
    }
}

impl AsyncRead for Line {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<std::io::Result<()>> {
        match &mut self.inner {
            Inner::Plain(stream) => Pin::new(stream).poll_read(cx, buf),
            Inner::Secured(stream) => Pin::new(stream).poll_read(cx, buf),
        }
    }
}

impl AsyncWrite for Line {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<std::io::Result<usize>> {
        match &mut self.inner {
            Inner::Plain(stream) => Pin::new(stream).poll_write(cx, buf),
            Inner::Secured(stream) => Pin::new(stream).poll_write(cx, buf),
        }
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<std::io::Result<()>> {
        match &mut self.inner {
            Inner::Plain(stream) => Pin::new(stream).poll_flush(cx),
            Inner::Secured(stream) => Pin::new(stream).poll_flush(cx),
        }
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<std::io::Result<()>> {
        match &mut self.inner {
            Inner::Plain(stream) => Pin::new(stream).poll_shutdown(cx),
            Inner::Secured(stream) => Pin::new(stream).poll_shutdown(cx),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_door_whose_task_broke_off_says_so() {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        // Nobody is let in by it; no call comes either.
        let tls = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_cert_resolver(Arc::new(rustls::server::ResolvesServerCertUsingSni::new()));
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let mut door = Door::new(listener, Some(Arc::new(tls)), Clock::system()).unwrap();
        let mut broken = Box::pin(door.broken());
        let early = tokio::time::timeout(Duration::from_millis(200), broken.as_mut()).await;
        assert!(early.is_err(), "it stands");
        let Way::Secured { _task: task, .. } = &mut door.way else { panic!("TLS was asked for") };
        task.abort_all();
        tokio::time::timeout(Duration::from_secs(60), broken).await.unwrap();
    }

    #[tokio::test]
    async fn a_call_beyond_the_places_waits_and_gets_the_first_that_is_given_back() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let mut door = Door::new(listener, None, Clock::system()).unwrap();
        let Way::Plain(_, places) = &door.way else { panic!("no TLS was asked for") };
        // So many at all; three are enough to try it.
        assert_eq!(places.forget_permits(MOST_CONNECTIONS - 3), MOST_CONNECTIONS - 3);
        assert_eq!(places.available_permits(), 3);
        let mut callers = Vec::new();
        for _ in 0..4 {
            callers.push(TcpStream::connect(at).await.unwrap());
        }
        let mut held = Vec::new();
        for _ in 0..3 {
            held.push(door.accept().await);
        }
        let beyond = tokio::time::timeout(Duration::from_millis(200), door.accept()).await;
        assert!(beyond.is_err(), "a fourth was let in");
        held.pop();
        let (_line, caller) = tokio::time::timeout(Duration::from_secs(60), door.accept()).await.unwrap();
        assert_eq!(caller, callers[3].local_addr().unwrap());
    }

    /// A telephone that has walked out of the radio says no good-bye; the kernel asks for it.
    #[tokio::test]
    async fn a_caller_who_has_vanished_is_found_out() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let _caller = TcpStream::connect(at).await.unwrap();
        let (stream, ..) = call(&listener, &Arc::new(Semaphore::new(1)), &Clock::system()).await;
        assert!(sockopt::socket_keepalive(&stream).unwrap());
        let (idle, every) = (sockopt::tcp_keepidle(&stream).unwrap(), sockopt::tcp_keepintvl(&stream).unwrap());
        let found_out = idle + every * sockopt::tcp_keepcnt(&stream).unwrap();
        assert!(found_out <= Duration::from_secs(300), "{found_out:?}");
    }
}
