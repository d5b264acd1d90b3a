//! A gate before a server: while it is shut, whoever comes is sent away.

use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A gate on a free port of the loopback address, open at first.
pub struct Gate {
    /// Where to come to.
    pub port: u16,
    open: Arc<AtomicBool>,
}

impl Gate {
    /// A gate before the server at a port.
    pub fn before(server: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let open = Arc::new(AtomicBool::new(true));
        let gate = open.clone();
        std::thread::spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                if !gate.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(far) = TcpStream::connect(("127.0.0.1", server)) else { continue };
                let (back_in, back_out) = (far.try_clone().unwrap(), near.try_clone().unwrap());
                std::thread::spawn(move || carry(near, far));
                std::thread::spawn(move || carry(back_in, back_out));
            }
        });
        Gate { port, open }
    }

    /// Lets in who comes from now on.
    pub fn open(&self) {
        self.open.store(true, Ordering::SeqCst);
    }

    /// Sends away who comes from now on; who is in stays.
    pub fn shut(&self) {
        self.open.store(false, Ordering::SeqCst);
    }
}

/// Passes bytes on to the end of either connection, and ends both.
fn carry(mut from: TcpStream, mut to: TcpStream) {
    // Either end may be reset: it is the end all the same.
    let _ = std::io::copy(&mut from, &mut to);
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}
