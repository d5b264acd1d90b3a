//! The daemon's page, asked as plainly as can be.

use std::io::{Read, Write};
use std::net::TcpStream;

/// The whole answer to a GET, head and body; `address` is host and port.
pub fn get(address: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").unwrap();
    let mut text = String::new();
    stream.read_to_string(&mut text).unwrap();
    text
}

/// The body of an answer that must be a success.
pub fn body(address: &str, path: &str) -> String {
    let text = get(address, path);
    assert!(text.starts_with("HTTP/1.1 200"), "{path}: {}", text.lines().next().unwrap_or_default());
    text.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default()
}
