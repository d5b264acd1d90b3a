//! Servers that are met over HTTP: a time-series server and a chat server, and a wire to them that can be cut.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::{Value, json};

use crate::cabinet::{Cabinet, Running, SECRET, wait_for};
use crate::peers::{free_port, wait_for_port};

/// Asks an HTTP server of the loopback address; gives the status and the body.
pub fn ask(method: &str, port: u16, path: &str, token: Option<&str>, body: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    let authorization = token.map(|t| format!("Authorization: Bearer {t}\r\n")).unwrap_or_default();
    let length = body.len();
    // Version 1.0: the answer ends with the connection.
    let head = format!(
        "{method} {path} HTTP/1.0\r\nHost: 127.0.0.1\r\n{authorization}Content-Type: application/json\r\n\
         Content-Length: {length}\r\n\r\n{body}"
    );
    stream.write_all(head.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap_or((&answer, ""));
    (head.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0), body.to_owned())
}

/// A VictoriaMetrics of its own.
pub struct TimeSeries {
    /// Where it listens.
    pub port: u16,
    _process: Running,
    _home: Cabinet,
}

impl Default for TimeSeries {
    fn default() -> Self {
        Self::start()
    }
}

impl TimeSeries {
    /// Starts it.
    pub fn start() -> Self {
        let (home, port) = (Cabinet::new(), free_port());
        let mut command = Command::new("victoria-metrics");
        command
            .arg(format!("-storageDataPath={}", home.path().display()))
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .args(["-retentionPeriod=100y", "-search.latencyOffset=0s"]);
        let process = Running::start(command);
        wait_for_port("victoria-metrics", port);
        TimeSeries { port, _process: process, _home: home }
    }

    /// All values of a metric by their times in milliseconds, one for a time: what a second write of a point left
    /// behind is the same value.
    pub fn all_of(&self, metric: &str) -> BTreeMap<i64, f64> {
        let (_, text) = ask("GET", self.port, &format!("/api/v1/export?match[]={metric}"), None, "");
        let mut found = BTreeMap::new();
        for line in text.lines() {
            let series: Value = serde_json::from_str(line).unwrap();
            let (times, values) = (series["timestamps"].as_array().unwrap(), series["values"].as_array().unwrap());
            for (at, value) in times.iter().zip(values) {
                found.insert(at.as_i64().unwrap(), value.as_f64().unwrap());
            }
        }
        found
    }
}

/// A Matrix server of its own, with the accounts `crane` and `reader`, both with the password [`SECRET`], and a room of
/// the reader's to which the crane is invited.
pub struct ChatServer {
    /// Where it listens.
    pub port: u16,
    /// The room's identifier.
    pub room: String,
    reader: String,
    _process: Running,
    _home: Cabinet,
}

impl Default for ChatServer {
    fn default() -> Self {
        Self::start()
    }
}

/// The Python with Synapse; `tests/run` makes it and names it.
fn synapse() -> PathBuf {
    let path = std::env::var_os("TALLYHOOK_TEST_SYNAPSE")
        .expect("TALLYHOOK_TEST_SYNAPSE is not set: start the tests with tests/run, which installs the chat server");
    path.into()
}

impl ChatServer {
    /// Starts it; takes some seconds.
    pub fn start() -> Self {
        Self::start_with("")
    }

    /// One that takes messages faster than a server that people share.
    pub fn start_without_a_rate_limit() -> Self {
        Self::start_with("rc_message: { per_second: 1000, burst_count: 1000 }\n")
    }

    fn start_with(more: &str) -> Self {
        let (home, port) = (Cabinet::new(), free_port());
        let data = home.path().display().to_string();
        let settings = format!(
            "server_name: edge.test\npid_file: {data}/pid\nreport_stats: false\ntrusted_key_servers: []\n\
             listeners:\n  - port: {port}\n    tls: false\n    type: http\n    bind_addresses: ['127.0.0.1']\n    \
             resources:\n      - names: [client]\n        compress: false\n\
             database: {{ name: sqlite3, args: {{ database: {data}/rooms.db }} }}\nmedia_store_path: {data}/media\n\
             registration_shared_secret: for-this-test\nmacaroon_secret_key: for-this-test\nform_secret: for-this-test\n\
             signing_key_path: {data}/signing.key\n{more}"
        );
        let settings = home.write("server.yaml", &settings);
        let run = |more: &str| {
            let mut command = Command::new(synapse());
            command.args(["-m", "synapse.app.homeserver", "-c"]).arg(&settings).current_dir(home.path());
            if !more.is_empty() {
                command.arg(more);
            }
            Running::start(command)
        };
        assert!(run("--generate-keys").wait(Duration::from_secs(60)).success());
        let process = run("");
        wait_for("the chat server", Duration::from_secs(60), || {
            TcpStream::connect(("127.0.0.1", port)).ok()?;
            (ask("GET", port, "/_matrix/client/versions", None, "").0 == 200).then_some(())
        });
        for account in ["crane", "reader"] {
            let mut command = Command::new(synapse().with_file_name("register_new_matrix_user"));
            command.args(["-u", account, "-p", SECRET, "--no-admin", "-c"]).arg(&settings);
            command.arg(format!("http://127.0.0.1:{port}"));
            assert!(Running::start(command).wait(Duration::from_secs(60)).success(), "{account}");
        }
        let mut server =
            ChatServer { port, room: String::new(), reader: String::new(), _process: process, _home: home };
        let login = json!({"type": "m.login.password", "password": SECRET,
                           "identifier": {"type": "m.id.user", "user": "reader"}});
        server.reader = server.client("POST", "login", &login)["access_token"].as_str().unwrap().to_owned();
        let room = json!({"preset": "private_chat", "invite": ["@crane:edge.test"]});
        server.room = server.client("POST", "createRoom", &room)["room_id"].as_str().unwrap().to_owned();
        server
    }

    fn client(&self, method: &str, path: &str, body: &Value) -> Value {
        let token = (!self.reader.is_empty()).then_some(self.reader.as_str());
        let body = if body.is_null() { String::new() } else { body.to_string() };
        let (status, text) = ask(method, self.port, &format!("/_matrix/client/v3/{path}"), token, &body);
        assert_eq!(status, 200, "{path}: {text}");
        serde_json::from_str(&text).unwrap()
    }

    /// What the crane has said in the room, in order, as a reader sees it.
    pub fn said(&self) -> Vec<Value> {
        self.events().into_iter().map(|event| event["content"].clone()).collect()
    }

    /// When the server took each message, seconds since 1970, and its text.
    pub fn taken(&self) -> Vec<(f64, String)> {
        let taken = |event: Value| {
            let text = event["content"]["body"].as_str().unwrap().to_owned();
            (event["origin_server_ts"].as_f64().unwrap() / 1000.0, text)
        };
        self.events().into_iter().map(taken).collect()
    }

    fn events(&self) -> Vec<Value> {
        let room = self.room.replace('!', "%21").replace(':', "%3A");
        let page = self.client("GET", &format!("rooms/{room}/messages?dir=f&limit=200"), &Value::Null);
        let events = page["chunk"].as_array().unwrap();
        let by_crane = |event: &&Value| event["type"] == "m.room.message" && event["sender"] == "@crane:edge.test";
        events.iter().filter(by_crane).cloned().collect()
    }
}

/// A wire to a server on which answers can get lost.
pub struct Wire {
    /// Where it begins.
    pub port: u16,
    lose: Arc<AtomicBool>,
    lost: Arc<AtomicBool>,
}

impl Wire {
    /// A wire to a port; from the beginning it loses each answer of success to a `PUT`.
    pub fn that_loses_answers(to: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let wire = Wire { port, lose: Arc::new(AtomicBool::new(true)), lost: Arc::default() };
        let (lose, lost) = (wire.lose.clone(), wire.lost.clone());
        std::thread::spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                let Ok(far) = TcpStream::connect(("127.0.0.1", to)) else { continue };
                let (lose, lost) = (lose.clone(), lost.clone());
                let put = Arc::new(AtomicBool::new(false));
                let (near_in, far_out) = (near.try_clone().unwrap(), far.try_clone().unwrap());
                let asked = put.clone();
                std::thread::spawn(move || {
                    carry(near_in, far_out, |bytes| {
                        // A connection serves one request after the other, not all of them a `PUT`.
                        if bytes.starts_with(b"PUT ") {
                            asked.store(true, Ordering::SeqCst);
                        } else if [&b"POST "[..], b"GET "].iter().any(|method| bytes.starts_with(method)) {
                            asked.store(false, Ordering::SeqCst);
                        }
                        true
                    });
                });
                std::thread::spawn(move || {
                    carry(far, near, |bytes| {
                        let success = put.load(Ordering::SeqCst) && bytes.starts_with(b"HTTP/1.1 200");
                        let lose = success && lose.load(Ordering::SeqCst);
                        if lose {
                            lost.store(true, Ordering::SeqCst);
                        }
                        !lose
                    });
                });
            }
        });
        wire
    }

    /// Whether an answer has been lost.
    pub fn has_lost(&self) -> bool {
        self.lost.load(Ordering::SeqCst)
    }

    /// From now on nothing is lost.
    pub fn mend(&self) {
        self.lose.store(false, Ordering::SeqCst);
    }
}

fn carry(mut from: TcpStream, mut to: TcpStream, mut through: impl FnMut(&[u8]) -> bool) {
    let mut chunk = [0; 16384];
    while let Ok(n) = from.read(&mut chunk) {
        if n == 0 || through(&chunk[..n]) && to.write_all(&chunk[..n]).is_err() {
            break;
        }
    }
    let _ = to.shutdown(Shutdown::Both);
}
