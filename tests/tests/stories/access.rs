//! The page beyond the loopback: over TLS, for users that the command has made; and no secret gets out anywhere.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::MetadataExt;
use std::process::Command;
use std::time::Duration;

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, SECRET, wait_for};
use tallyhook_tests::modbus::Libmodbus;
use tallyhook_tests::peers::{free_port, python, wait_for_port};
use tallyhook_tests::receiver::Receiver;
use tallyhook_tests::yard::configuration;

/// The steps of `tests/peers/login.py`.
fn browse(cabinet: &Cabinet, port: u16, name: &str, password: &str) -> Vec<Value> {
    let script = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/login.py");
    let mut command = Command::new(python());
    command.arg(script).arg(format!("127.0.0.1:{port}")).args(["page.pem", name, password]);
    let output = command.current_dir(cabinet.path()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn statuses(steps: &[Value]) -> Vec<(&str, u64)> {
    steps.iter().map(|s| (s["what"].as_str().unwrap(), s["status"].as_u64().unwrap())).collect()
}

/// A certificate that vouches for itself, and its key.
fn make_certificate(cabinet: &Cabinet, name: &str) {
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "rsa:2048", "-nodes"])
        .args(["-keyout", &format!("{name}.key"), "-out", &format!("{name}.pem")])
        .args(["-days", "30", "-subj", "/CN=crane-box", "-addext", "subjectAltName=IP:127.0.0.1"])
        .current_dir(cabinet.path())
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

#[test]
fn a_page_on_the_network_speaks_tls_to_named_users_only() {
    let cabinet = Cabinet::new();
    make_certificate(&cabinet, "page");
    let (_drive, drive_port) = Libmodbus::tcp(1, &[]);
    let port = free_port();
    let page = format!(
        "listen = \"0.0.0.0:{port}\"\nusers_file = \"users\"\ncertificate_file = \"page.pem\"\nkey_file = \"page.key\""
    );
    let text = configuration(drive_port, port, "").replace(&format!("listen = \"127.0.0.1:{port}\""), &page);
    cabinet.write("site.toml", &text);
    // A key that is not the certificate's is refused before anything is opened.
    cabinet.write("bad.toml", &text.replace("\"page.key\"", "\"page.pem\""));
    let refused = cabinet.run(&["run", "--config", "bad.toml"]);
    assert_eq!(refused.status.code(), Some(3));
    assert!(refused.stderr.contains("page.pem for the page's TLS"), "{}", refused.stderr);

    // One password is made, one is given.
    let made = cabinet.run(&["user", "add", "fitter", "--role", "service", "--config", "site.toml"]).ok();
    let fitters = made.lines().find_map(|line| line.strip_prefix("password: ")).unwrap().to_owned();
    cabinet.write("given", "the office's own\n");
    let add = ["user", "add", "office", "--role", "look", "--password-file", "given", "--config", "site.toml"];
    assert!(!cabinet.run(&add).ok().contains("office's own"));
    assert_eq!(std::fs::metadata(cabinet.path().join("users")).unwrap().mode() & 0o777, 0o600);
    let list = cabinet.run(&["user", "list", "--config", "site.toml"]).ok();
    assert_eq!(list, "fitter\tservice\noffice\tlook\n");
    let bad = cabinet.run(&["user", "add", "a/b", "--role", "look", "--config", "site.toml"]);
    assert_eq!(bad.status.code(), Some(2), "{}", bad.stderr);

    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    daemon.line(Duration::from_secs(60), |line| line.starts_with("page: https://0.0.0.0:").then_some(()));
    wait_for_port("the page", port);
    // Whoever speaks no TLS gets no word, and hinders nobody.
    let mut plain = TcpStream::connect(("127.0.0.1", port)).unwrap();
    plain.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    plain.write_all(b"GET /api/v1/status HTTP/1.0\r\n\r\n").unwrap();
    let mut got = Vec::new();
    // It may be closed with a reset.
    let _ = plain.read_to_end(&mut got);
    assert!(!got.starts_with(b"HTTP"), "{}", String::from_utf8_lossy(&got));
    let _silent = TcpStream::connect(("127.0.0.1", port)).unwrap();

    let steps = browse(&cabinet, port, "fitter", &fitters);
    let expected = [
        ("stranger", 401),
        ("stranger changes", 401),
        ("wrong", 401),
        ("in", 303),
        ("reads", 200),
        ("upkeep", 200),
        ("foreign", 403),
        ("changes", 303),
        ("out", 303),
        ("stranger again", 401),
    ];
    assert_eq!(statuses(&steps), expected);
    let services = cabinet.run(&["service", "list", "--data", "data", "--json"]).json();
    assert_eq!((&services[0]["by"], &services[0]["note"]), (&"fitter".into(), &"sheet 12".into()), "{services}");

    let steps = browse(&cabinet, port, "office", "the office's own");
    let changes = expected.map(|(what, status)| if what == "changes" { (what, 403) } else { (what, status) });
    assert_eq!(statuses(&steps), changes);
    // Removed while the daemon runs.
    cabinet.run(&["user", "remove", "office", "--config", "site.toml"]).ok();
    let steps = browse(&cabinet, port, "office", "the office's own");
    assert_eq!(statuses(&steps)[3], ("in", 401));
    wait_for("the log", Duration::from_secs(20), || {
        daemon.stderr().contains("wrong log-in as an unknown name from 127.0.0.1").then_some(())
    });
    let log = daemon.stderr();
    for line in [
        "fitter (service) logged in from 127.0.0.1",
        "was recorded at the page by \"fitter\"",
        "wrong log-in as fitter",
    ] {
        assert!(log.contains(line), "{line}: {log}");
    }
    assert!(!log.contains(&fitters) && !log.contains("office's own"), "{log}");
    assert_eq!(daemon.interrupt(Duration::from_secs(30)).code(), Some(0));
}

/// The whole answer of the page on the loopback to somebody with this cookie.
fn ask(port: u16, method: &str, path: &str, cookie: &str, fields: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    let place = format!("127.0.0.1:{port}");
    write!(
        stream,
        "{method} {path} HTTP/1.1\r\nHost: {place}\r\nOrigin: http://{place}\r\nCookie: {cookie}\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{fields}",
        fields.len()
    )
    .unwrap();
    let mut text = String::new();
    stream.read_to_string(&mut text).unwrap();
    text
}

#[test]
fn a_new_configuration_logs_nobody_out_and_each_change_of_the_users_is_booked() {
    let cabinet = Cabinet::new();
    let (_drive, drive_port) = Libmodbus::tcp(1, &[]);
    let port = free_port();
    let listen = format!("listen = \"127.0.0.1:{port}\"");
    let text = configuration(drive_port, port, "").replace(&listen, &format!("{listen}\nusers_file = \"users\""));
    cabinet.write("site.toml", &text);
    cabinet.write("given", &format!("{SECRET}\n"));
    let add = |name: &str, role: &str| {
        let words = ["user", "add", name, "--role", role, "--password-file", "given", "--config", "site.toml"];
        cabinet.run(&words)
    };
    let early = add("fitter", "service");
    assert!(early.stderr.contains("There is no ledger yet, so it has no entry of this."), "{early:?}");
    early.ok();
    let daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for("the ledger", Duration::from_secs(60), || {
        cabinet.run(&["service", "list", "--data", "data"]).status.success().then_some(())
    });
    wait_for_port("the page", port);
    add("office", "look").ok();

    let log_in = |name: &str| {
        let answer = ask(port, "POST", "/login", "", &format!("name={name}&password={SECRET}"));
        let cookie =
            answer.lines().find_map(|line| line.strip_prefix("set-cookie: ")).unwrap_or_else(|| panic!("{answer}"));
        cookie.split(';').next().unwrap().to_owned()
    };
    let (fitter, office) = (log_in("fitter"), log_in("office"));
    let sees = |cookie: &str| ask(port, "GET", "/api/v1/status", cookie, "");
    assert!(sees(&fitter).starts_with("HTTP/1.1 200") && sees("").starts_with("HTTP/1.1 401"));
    cabinet.write("site.toml", &text.replace("Eastfield precast yard", "Northfield yard"));
    daemon.signal("HUP");
    wait_for("the new configuration", Duration::from_secs(60), || {
        // For a moment nobody may answer.
        let seen = std::panic::catch_unwind(|| ask(port, "GET", "/", &fitter, "")).unwrap_or_default();
        assert!(!seen.starts_with("HTTP/1.1 401"), "{seen}");
        seen.contains("Northfield yard").then_some(())
    });
    assert!(sees(&office).starts_with("HTTP/1.1 200"), "all who were in are in");

    // Another password, another role, no user any more.
    add("fitter", "acknowledge").ok();
    cabinet.run(&["user", "remove", "office", "--config", "site.toml"]).ok();
    assert!(sees(&fitter).starts_with("HTTP/1.1 401") && sees(&office).starts_with("HTTP/1.1 401"));
    let booked = wait_for("the notes in the books", Duration::from_secs(60), || {
        let list = cabinet.run(&["service", "list", "--data", "data", "--json"]).json();
        let list = list.as_array().unwrap().clone();
        (list.len() == 3 && list.iter().all(|note| note["taken"].is_string())).then_some(list)
    });
    let notes: Vec<&str> = booked.iter().map(|note| note["note"].as_str().unwrap()).collect();
    let expected = [
        "office is a user of the page, with the role look",
        "the user fitter of the page has a new password and the role acknowledge",
        "office is no user of the page any more",
    ];
    assert_eq!(notes, expected);
    let own = std::fs::metadata("/proc/self").unwrap().uid();
    assert!(booked[0]["by"].as_str().unwrap().ends_with(&format!("user number {own} of the box")), "{booked:?}");
    assert_eq!(daemon.interrupt(Duration::from_secs(30)).code(), Some(0));
    cabinet.run(&["verify", "--data", "data"]).ok();
}

/// What is started in a cabinet is watched for this secret in every story (`tests/src/cabinet.rs`); here every place
/// that takes a secret holds it, and everything that can be asked is asked.
#[test]
fn no_secret_is_told_by_log_answer_page_or_store() {
    let cabinet = Cabinet::new();
    let (_drive, drive_port) = Libmodbus::tcp(1, &[]);
    let receiver = Receiver::start();
    let (port, dead) = (free_port(), free_port());
    cabinet.write("secret", &format!("{SECRET}\n"));
    // Handed over by the service manager, and a key that is none: what is wrong with a file may not quote it.
    let handed = cabinet.path().join("credentials");
    std::fs::create_dir(&handed).unwrap();
    cabinet.write("credentials/broker", &format!("{SECRET}\n"));
    make_certificate(&cabinet, "own");
    cabinet.write("own.key", &format!("-----BEGIN {SECRET}\n{SECRET}\n"));
    let more = format!(
        "[mqtt]\nhost = \"127.0.0.1\"\nport = {dead}\nusername = \"crane\"\npassword_file = \"credential:broker\"\n\
         [influx]\nurl = \"http://127.0.0.1:{dead}\"\norg = \"yard\"\nbucket = \"crane\"\ntoken_file = \"secret\"\n\
         [matrix]\nurl = \"http://127.0.0.1:{dead}\"\nuser = \"crane\"\npassword_file = \"secret\"\nroom = \"!a:b\"\n\
         [[webhook]]\nname = \"maintenance\"\nurl = \"{}\"\nheader_files = {{ Authorization = \"secret\", \
         X-Key = \"credential:broker\" }}\n\
         [[webhook]]\nname = \"works\"\nurl = \"https://127.0.0.1:{dead}/\"\nca_file = \"own.pem\"\n\
         certificate_file = \"own.pem\"\nkey_file = \"own.key\"\n\
         [[webhook]]\nname = \"office\"\nurl = \"https://127.0.0.1:{dead}/\"\nca_file = \"secret\"\n",
        receiver.url
    );
    cabinet.write("site.toml", &configuration(drive_port, port, &more));
    let around = [
        ("TALLYHOOK_LOG", std::ffi::OsStr::new("tallyhook=trace,info")),
        ("CREDENTIALS_DIRECTORY", handed.as_os_str()),
    ];
    let daemon = cabinet.start_with(&around, &["run", "--config", "site.toml"]);
    wait_for_port("the page", port);
    // Until each destination has been tried and told of.
    wait_for("the destinations' trouble", Duration::from_secs(60), || {
        let log = daemon.stderr();
        ["mqtt", "influx", "matrix"].iter().all(|name| log.contains(name)).then_some(())
    });
    let mut trial = cabinet.start_with(&around, &["notify", "--test", "--config", "site.toml"]);
    for part in ["maintenance: told", "no private key in PEM form", "no certificate in it"] {
        trial.line(Duration::from_secs(60), |line| line.contains(part).then_some(()));
    }
    assert_eq!(trial.wait(Duration::from_secs(60)).code(), Some(3));
    // Without the service manager's word where they are, it is the unit's own that are asked for.
    let alone = cabinet.run(&["notify", "--test", "--config", "site.toml"]);
    assert!((alone.stdout + &alone.stderr).contains("`LoadCredential=broker:` in the unit"));
    cabinet.run(&["check", "--config", "site.toml"]).ok();
    cabinet.run(&["check", "--live", "--config", "site.toml"]);
    for question in ["status", "lifts", "trend", "alarms", "report"] {
        cabinet.run(&[question, "--data", "data", "--json"]);
        cabinet.run(&[question, "--data", "data"]);
    }
    for path in ["/", "/mechanism/main-hoist/drive", "/mechanism/main-hoist/warnings", "/api/v1/status", "/metrics"] {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        stream.write_all(format!("GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n").as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        assert!(answer.starts_with("HTTP/1.0 200") && !answer.contains(SECRET), "{path}: {answer}");
    }
    assert_eq!(daemon.interrupt(Duration::from_secs(60)).code(), Some(0));
    let mut files = vec![cabinet.path().join("data")];
    let mut read = 0;
    while let Some(path) = files.pop() {
        if path.is_dir() {
            files.extend(path.read_dir().unwrap().map(|entry| entry.unwrap().path()));
        } else {
            let bytes = std::fs::read(&path).unwrap();
            read += 1;
            assert!(!bytes.windows(SECRET.len()).any(|w| w == SECRET.as_bytes()), "{}", path.display());
        }
    }
    assert!(read >= 3, "the store's files");
}
