//! An HTTP server that answers what the test tells it to: status by status, or not at all, or half.

use std::sync::{Arc, Mutex};

use tallyhook::clock::Clock;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// A request as it came.
#[derive(Clone, Debug)]
pub struct Request {
    /// The request line.
    pub line: String,
    /// The headers, in small letters.
    pub head: String,
    pub body: String,
    /// When it came, milliseconds of the test's clock.
    pub at: i64,
}

/// What a request gets.
#[derive(Clone, Debug)]
pub enum Play {
    /// Status line and headers, as `503 Service Unavailable\r\nRetry-After: 3`, and the body.
    Answer(String, String),
    /// Nothing, with the connection held open.
    Silence,
    /// These bytes, and the connection is closed.
    Half(&'static str),
}

impl Play {
    pub fn status(status: &str) -> Self {
        Play::Answer(status.to_owned(), String::new())
    }
}

/// The server; it runs until the test ends.
#[derive(Clone)]
pub struct Stub {
    /// `http://127.0.0.1:PORT`.
    pub url: String,
    seen: Arc<Mutex<Vec<Request>>>,
}

impl Stub {
    /// Starts it; `play` answers each request, given its number from 0.
    pub async fn start(clock: &Clock, play: impl FnMut(usize, &Request) -> Play + Send + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let stub = Stub { url: format!("http://{}", listener.local_addr().unwrap()), seen: Arc::default() };
        let (seen, clock, play) = (stub.seen.clone(), clock.clone(), Arc::new(Mutex::new(play)));
        tokio::spawn(async move {
            loop {
                let (socket, _) = listener.accept().await.unwrap();
                let (seen, clock, play) = (seen.clone(), clock.clone(), play.clone());
                tokio::spawn(async move {
                    let mut socket = socket;
                    while let Some(mut request) = read(&mut socket).await {
                        request.at = clock.now().mono.as_ms();
                        let played = {
                            let mut seen = seen.lock().unwrap();
                            let played = play.lock().unwrap()(seen.len(), &request);
                            seen.push(request);
                            played
                        };
                        match played {
                            Play::Answer(status, body) => {
                                let length = if status.starts_with("204") {
                                    String::new()
                                } else {
                                    format!("Content-Length: {}\r\n", body.len())
                                };
                                let answer = format!("HTTP/1.1 {status}\r\n{length}\r\n{body}");
                                if socket.write_all(answer.as_bytes()).await.is_err() {
                                    return;
                                }
                            }
                            Play::Silence => {
                                // Ends when the client has had enough and closes.
                                let mut more = [0; 64];
                                while socket.read(&mut more).await.is_ok_and(|n| n > 0) {}
                                return;
                            }
                            Play::Half(bytes) => {
                                let _ = socket.write_all(bytes.as_bytes()).await;
                                return;
                            }
                        }
                    }
                });
            }
        });
        stub
    }

    /// The requests so far.
    pub fn seen(&self) -> Vec<Request> {
        self.seen.lock().unwrap().clone()
    }
}

async fn read(socket: &mut TcpStream) -> Option<Request> {
    let mut bytes = Vec::new();
    loop {
        let mut chunk = [0; 65536];
        let n = socket.read(&mut chunk).await.ok().filter(|n| *n > 0)?;
        bytes.extend_from_slice(&chunk[..n]);
        let text = String::from_utf8(bytes.clone()).ok()?;
        let Some((head, body)) = text.split_once("\r\n\r\n") else { continue };
        let (line, head) = head.split_once("\r\n")?;
        let head = head.to_lowercase();
        let length = head.lines().find_map(|l| l.strip_prefix("content-length: ")).unwrap_or("0");
        if body.len() == length.parse::<usize>().ok()? {
            return Some(Request { line: line.to_owned(), head, body: body.to_owned(), at: 0 });
        }
    }
}
