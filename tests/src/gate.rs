//! A gate before a server: while it is shut, whoever comes is sent away.

use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

/// A gate on a free port of the loopback address, open at first.
pub struct Gate {
    /// Where to come to.
    pub port: u16,
    open: Arc<AtomicBool>,
    within: Arc<Mutex<Vec<TcpStream>>>,
}

impl Gate {
    /// A gate before the server at a port.
    pub fn before(server: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let open = Arc::new(AtomicBool::new(true));
        let within = Arc::new(Mutex::new(Vec::new()));
        let (gate, inside) = (open.clone(), within.clone());
        std::thread::spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                if !gate.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(far) = TcpStream::connect(("127.0.0.1", server)) else { continue };
                inside.lock().unwrap().extend(near.try_clone());
                // It may have been slammed since.
                if !gate.load(Ordering::SeqCst) {
                    let _ = near.shutdown(Shutdown::Both);
                }
                let (back_in, back_out) = (far.try_clone().unwrap(), near.try_clone().unwrap());
                std::thread::spawn(move || carry(near, far));
                std::thread::spawn(move || carry(back_in, back_out));
            }
        });
        Gate { port, open, within }
    }

    /// Lets in who comes from now on.
    pub fn open(&self) {
        self.open.store(true, Ordering::SeqCst);
    }

    /// Sends away who comes from now on; who is in stays.
    pub fn shut(&self) {
        self.open.store(false, Ordering::SeqCst);
    }

    /// As [`Gate::shut`], and whoever is in is thrown out.
    pub fn slam(&self) {
        self.shut();
        for stream in self.within.lock().unwrap().drain(..) {
            let _ = stream.shutdown(Shutdown::Both);
        }
    }
}

/// Passes bytes on to the end of either connection, and ends both.
fn carry(mut from: TcpStream, mut to: TcpStream) {
    // Either end may be reset: it is the end all the same.
    let _ = std::io::copy(&mut from, &mut to);
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}
