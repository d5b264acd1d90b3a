//! What stands between us and the broker: authorities, certificates, passwords, a packet that it will not take. Each is a
//! finding with its mend, is tried seldom, and loses nothing. Certificates come from the `openssl` command.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

#[path = "publish_mqtt_tls/https.rs"]
mod https;
mod teller;

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::json;
use tallyhook::clock::Clock;
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Config, Mqtt, MqttPayload, Tls};
use teller::{Teller, hasty_clock, lift, site};

/// A directory with authorities, certificates and passwords.
struct Safe(tempfile::TempDir);

impl Safe {
    fn new() -> Self {
        let safe = Safe(tempfile::tempdir().unwrap());
        for ca in ["ca", "other-ca"] {
            safe.openssl(&format!(
                "req -x509 -newkey rsa:2048 -nodes -keyout {ca}.key -out {ca}.pem -days 30 -subj /CN={ca} \
                 -addext basicConstraints=critical,CA:TRUE -addext keyUsage=critical,keyCertSign"
            ));
        }
        let server = "subjectAltName=DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n";
        std::fs::write(safe.path("server.ext"), server).unwrap();
        std::fs::write(safe.path("other-name.ext"), "subjectAltName=DNS:broker.example\n").unwrap();
        std::fs::write(safe.path("client.ext"), "extendedKeyUsage=clientAuth\n").unwrap();
        safe.sign("server", "server", "-days 30");
        safe.sign("other-name", "other-name", "-days 30");
        safe.sign("expired", "server", "-not_before 20200101000000Z -not_after 20200201000000Z");
        safe.sign("client", "client", "-days 30");
        let status = Command::new("mosquitto_passwd")
            .args(["-b", "-c"])
            .arg(safe.path("users"))
            .args(["crane", "secret"])
            .status()
            .expect("mosquitto_passwd is missing: tests/run installs mosquitto");
        assert!(status.success());
        std::fs::write(safe.path("password"), "secret\n").unwrap();
        std::fs::write(safe.path("wrong"), "guess\n").unwrap();
        safe
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn openssl(&self, arguments: &str) {
        let output = Command::new("openssl")
            .args(arguments.split_whitespace())
            .current_dir(self.0.path())
            .output()
            .expect("openssl is missing: tests/run installs it");
        assert!(output.status.success(), "{arguments}: {}", String::from_utf8_lossy(&output.stderr));
    }

    /// A certificate of the first authority.
    fn sign(&self, name: &str, ext: &str, validity: &str) {
        self.openssl(&format!("req -newkey rsa:2048 -nodes -keyout {name}.key -out {name}.csr -subj /CN={name}"));
        if validity.starts_with("-days") {
            self.openssl(&format!(
                "x509 -req -in {name}.csr -CA ca.pem -CAkey ca.key -CAcreateserial -out {name}.pem -extfile {ext}.ext {validity}"
            ));
            return;
        }
        // `x509` of this openssl knows no dates; its small authority does.
        std::fs::write(self.path("index"), "").unwrap();
        std::fs::write(self.path("index.attr"), "unique_subject = no\n").unwrap();
        std::fs::write(self.path("serial"), "1000\n").unwrap();
        let settings = "[ca]\ndefault_ca = c\n[c]\ndatabase = index\nserial = serial\nnew_certs_dir = .\n\
                        default_md = sha256\npolicy = p\n[p]\ncommonName = supplied\n";
        std::fs::write(self.path("ca.conf"), settings).unwrap();
        let validity = validity.replace("-not_before", "-startdate").replace("-not_after", "-enddate");
        self.openssl(&format!(
            "ca -batch -config ca.conf -cert ca.pem -keyfile ca.key -in {name}.csr -out {name}.pem -notext \
             -extfile {ext}.ext {validity}"
        ));
    }
}

/// A Mosquitto with the settings of the test.
struct Broker {
    port: u16,
    child: Child,
    log: Arc<Mutex<String>>,
}

impl Broker {
    fn start(safe: &Safe, certificate: Option<&str>, more: &str) -> Self {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let at = |name: &str| safe.path(name).display().to_string();
        let tls = certificate.map(|name| {
            let [ca, cert, key] = [at("ca.pem"), at(&format!("{name}.pem")), at(&format!("{name}.key"))];
            format!("cafile {ca}\ncertfile {cert}\nkeyfile {key}\n")
        });
        let settings = format!(
            "user root\nper_listener_settings false\nallow_anonymous false\npassword_file {}\n\
             listener {port} 127.0.0.1\n{}{more}\n",
            at("users"),
            tls.unwrap_or_default()
        );
        let file = safe.path(&format!("broker-{port}.conf"));
        std::fs::write(&file, settings).unwrap();
        let mut child =
            Command::new("mosquitto").arg("-c").arg(&file).stderr(Stdio::piped()).spawn().expect("mosquitto");
        let log: Arc<Mutex<String>> = Arc::default();
        let (kept, stderr) = (log.clone(), child.stderr.take().unwrap());
        std::thread::spawn(move || {
            for line in std::io::BufRead::lines(std::io::BufReader::new(stderr)).map_while(Result::ok) {
                kept.lock().unwrap().push_str(&(line + "\n"));
            }
        });
        for _ in 0..500 {
            assert!(child.try_wait().unwrap().is_none(), "mosquitto ended: {}", log.lock().unwrap());
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return Broker { port, child, log };
            }
            std::thread::park_timeout(Duration::from_millis(10));
        }
        panic!("mosquitto does not answer on port {port}");
    }

    /// How often a client got as far as the broker's log.
    fn calls(&self) -> usize {
        self.log.lock().unwrap().matches("New connection from").count()
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn fed(port: u16, password: &Path, tls: Option<Tls>) -> Config {
    let broker = Mqtt {
        host: "127.0.0.1".to_owned(),
        port,
        client_id: "eastfield".to_owned(),
        topic_root: "eastfield".to_owned(),
        username: Some("crane".to_owned()),
        password_file: Some(password.to_owned()),
        payload: MqttPayload::Json,
        tls,
        from_start: false,
        acknowledge: false,
    };
    Config { mqtt: Some(broker), ..site() }
}

/// The processor's time of this process so far, clock ticks.
fn ticks() -> u64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_person_has_to_mend_is_named_with_its_mend_and_burns_no_processor() {
    let safe = Safe::new();
    let at = |name: &str| safe.path(name);
    let trusted = |ca: &str| Tls { ca_file: Some(at(ca)), client: None };
    let with_client = |cert: &str, key: &str| Tls { client: Some((at(cert), at(key))), ..trusted("ca.pem") };
    let good = Broker::start(&safe, Some("server"), "");
    let expired = Broker::start(&safe, Some("expired"), "");
    let other_name = Broker::start(&safe, Some("other-name"), "");
    let asking = Broker::start(&safe, Some("server"), "require_certificate true");
    let plain = Broker::start(&safe, None, "");
    for (name, broker, password, tls, what, mend) in [
        ("wrong authority", &good, "password", Some(trusted("other-ca.pem")), "UnknownIssuer", "into `ca_file`"),
        ("expired", &expired, "password", Some(trusted("ca.pem")), "expired", "renew it"),
        ("other name", &other_name, "password", Some(trusted("ca.pem")), "not valid for name", "the name that stands"),
        (
            "no certificate of ours",
            &asking,
            "password",
            Some(trusted("ca.pem")),
            "ertificateRequired",
            "certificate_file",
        ),
        ("wrong password", &good, "wrong", Some(trusted("ca.pem")), "refuses our user name", "into `password_file`"),
        ("no password file", &good, "missing", Some(trusted("ca.pem")), "missing", "`password_file` in [mqtt]"),
        ("no authority file", &good, "password", Some(trusted("missing")), "missing", "`ca_file` in [mqtt]"),
        ("no certificate in it", &good, "password", Some(trusted("users")), "users", "`ca_file` in [mqtt]"),
        (
            "key of another",
            &asking,
            "password",
            Some(with_client("client.pem", "server.key")),
            "client.pem",
            "the key of",
        ),
        ("TLS to a plain port", &plain, "password", Some(trusted("ca.pem")), "", "check"),
    ] {
        let clock = Clock::system();
        let outbox = MemoryOutbox::default();
        let teller = Teller::start(fed(broker.port, &at(password), tls), &outbox, &clock);
        outbox.push(lift(1));
        teller.wait(name, |t| t.health("mqtt").trouble.is_some()).await;
        let trouble = teller.health("mqtt").trouble.unwrap();
        assert!(trouble.what.contains(what) && trouble.mend.contains(mend), "{name}: {trouble:?}");
        println!("{name}: {}; {}", trouble.what, trouble.mend);
        let (calls, before) = (broker.calls(), ticks());
        clock.sleep(Span::from_ms(1_000)).await;
        // A second of a loop would be 100 ticks; the test's own harness needs a few.
        assert!(ticks() - before < 30, "{name}: {} ticks in a second", ticks() - before);
        assert!(broker.calls() - calls <= 2, "{name}: {} calls in a second", broker.calls() - calls);
        assert_eq!(outbox.cursor("mqtt").await.unwrap(), Some(0), "{name}: nothing is given up");
        teller.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn with_the_right_authority_certificate_and_password_everything_arrives() {
    let safe = Safe::new();
    let broker = Broker::start(&safe, Some("server"), "require_certificate true");
    let tls =
        Tls { ca_file: Some(safe.path("ca.pem")), client: Some((safe.path("client.pem"), safe.path("client.key"))) };
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(fed(broker.port, &safe.path("password"), Some(tls)), &outbox, &Clock::system());
    (0..200).for_each(|n| outbox.push(lift(n)));
    teller.delivered("mqtt", 200).await;
    assert_eq!(teller.health("mqtt").trouble, None);
    teller.stop().await;
}

/// A password that is mended in its file needs no restart.
#[tokio::test(flavor = "multi_thread")]
async fn a_mended_password_is_found() {
    let safe = Safe::new();
    let broker = Broker::start(&safe, None, "");
    let outbox = MemoryOutbox::default();
    // A minute is three seconds.
    let clock = hasty_clock(50);
    let teller = Teller::start(fed(broker.port, &safe.path("wrong"), None), &outbox, &clock);
    outbox.push(lift(1));
    teller.wait("the finding", |t| t.health("mqtt").trouble.is_some()).await;
    std::fs::write(safe.path("wrong"), "secret").unwrap();
    teller.delivered("mqtt", 1).await;
    teller.wait("recovery", |t| t.health("mqtt").trouble.is_none()).await;
    teller.stop().await;
}

/// MQTT 3.1.1 has no word for a packet that is too large: the broker hangs up. The message is found, left out and named,
/// and all others arrive.
#[tokio::test(flavor = "multi_thread")]
async fn a_message_over_the_brokers_limit_is_left_out_and_named() {
    let safe = Safe::new();
    let broker = Broker::start(&safe, None, "max_packet_size 4000");
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(fed(broker.port, &safe.path("password"), None), &outbox, &hasty_clock(50));
    for n in 0..100 {
        let mut message = lift(n);
        if n == 50 {
            message.body["note"] = json!("x".repeat(5_000));
        }
        outbox.push(message);
    }
    teller.delivered("mqtt", 100).await;
    let health = teller.health("mqtt");
    let parked = health.last_parked.unwrap();
    assert_eq!((health.parked, parked.id.as_str()), (1, "m50"));
    assert!(parked.why.contains("hung up") && parked.mend.contains("largest packet"), "{parked:?}");
    teller.stop().await;
}
