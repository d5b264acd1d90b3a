//! A chat server's stand-in for what no real one plays: an HTTP receiver that keeps every body it was sent.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};
use std::time::SystemTime;

/// An HTTP receiver on a free port.
pub struct Receiver {
    /// Where to post to.
    pub url: String,
    bodies: Arc<Mutex<Vec<(SystemTime, String)>>>,
}

impl Default for Receiver {
    fn default() -> Self {
        Self::start()
    }
}

impl Receiver {
    /// Starts it; it answers 200 to everything until the test ends.
    pub fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/hook", listener.local_addr().unwrap());
        let bodies = Arc::new(Mutex::new(Vec::new()));
        let kept = bodies.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let kept = kept.clone();
                std::thread::spawn(move || serve(stream, &kept));
            }
        });
        Receiver { url, bodies }
    }

    /// The bodies received so far, in order.
    pub fn bodies(&self) -> Vec<String> {
        self.bodies.lock().unwrap().iter().map(|(_, body)| body.clone()).collect()
    }

    /// The same with the time at which each had come.
    pub fn arrivals(&self) -> Vec<(SystemTime, String)> {
        self.bodies.lock().unwrap().clone()
    }
}

fn serve(stream: std::net::TcpStream, kept: &Mutex<Vec<(SystemTime, String)>>) -> Option<()> {
    let mut answer = stream.try_clone().ok()?;
    let mut reader = BufReader::new(stream);
    loop {
        let mut length = 0;
        loop {
            let mut line = String::new();
            if reader.read_line(&mut line).ok()? == 0 {
                return None;
            }
            if let Some(value) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                length = value.trim().parse().ok()?;
            }
            if line == "\r\n" {
                break;
            }
        }
        let mut body = vec![0; length];
        reader.read_exact(&mut body).ok()?;
        kept.lock().unwrap().push((now(), String::from_utf8_lossy(&body).into_owned()));
        answer.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n").ok()?;
    }
}

#[allow(clippy::disallowed_methods, reason = "what is measured is the real clock's")]
fn now() -> SystemTime {
    SystemTime::now()
}
