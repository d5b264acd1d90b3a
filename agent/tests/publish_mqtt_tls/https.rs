//! What stands between us and the destinations that are told over HTTP: authorities, and certificates of our own.

use tallyhook_config::model::{Influx, Matrix, Precision, Webhook};
use tallyhook_tests::cabinet::Running;
use tallyhook_tests::peers::{free_port, python_script, wait_for_port};

use super::teller::{Teller, hasty_clock, site, warning};
use super::*;

const DESTINATIONS: [&str; 3] = ["influx", "matrix", "webhook:maintenance"];

/// A site that tells one server by every way that goes over HTTP.
fn fed(safe: &Safe, url: &str, tls: &Tls) -> Config {
    let influx = Influx {
        url: url.to_owned(),
        org: "yard".to_owned(),
        bucket: "cranes".to_owned(),
        token_file: None,
        tls: tls.clone(),
        precision: Precision::Ms,
        batch: 500,
        timeout: Span::from_ms(10_000),
        health_every: Span::from_ms(3_600_000),
        from_start: false,
    };
    let matrix = Matrix {
        url: url.to_owned(),
        user: "tallyhook".to_owned(),
        password_file: safe.path("password"),
        room: "!room:localhost".to_owned(),
        device_id: "tallyhook".to_owned(),
        tls: tls.clone(),
    };
    let webhook = Webhook {
        name: "maintenance".to_owned(),
        url: format!("{url}/hook"),
        headers: Vec::new(),
        header_files: vec![("Authorization".to_owned(), safe.path("password"))],
        tls: tls.clone(),
        template: r#"{"text": "{{text}}"}"#.to_owned(),
    };
    Config { influx: Some(influx), matrix: Some(matrix), webhooks: vec![webhook], ..site() }
}

/// Before the first byte of HTTP a broker's TLS port is as good as a web server's.
#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_that_an_http_destination_refuses_is_for_a_person_to_mend() {
    let safe = Safe::new();
    let good = Broker::start(&safe, Some("server"), "");
    let expired = Broker::start(&safe, Some("expired"), "");
    for (name, broker, ca, what, mend) in [
        ("wrong authority", &good, "other-ca.pem", "UnknownIssuer", "into `ca_file`"),
        ("expired", &expired, "ca.pem", "expired", "renew it"),
    ] {
        let clock = hasty_clock(20);
        let url = format!("https://127.0.0.1:{}", broker.port);
        let tls = Tls { ca_file: Some(safe.path(ca)), client: None };
        let outbox = MemoryOutbox::default();
        let teller = Teller::start(fed(&safe, &url, &tls), &outbox, &clock);
        outbox.push(warning("w1"));
        for destination in DESTINATIONS {
            teller.wait(name, |t| t.health(destination).trouble.is_some()).await;
            let trouble = teller.health(destination).trouble.unwrap();
            println!("{name}, {destination}: {}; {}", trouble.what, trouble.mend);
            assert!(trouble.what.contains(what) && trouble.mend.contains(mend), "{name}: {trouble:?}");
        }
        // Two minutes by the clock that pauses go by: what passes by itself would be tried six times, this twice more.
        let begun = clock.now().mono;
        let before = teller.health("matrix").failures;
        while clock.now().mono < begun.plus(Span::from_ms(120_000)) {
            Clock::system().sleep(Span::from_ms(20)).await;
        }
        let tries = teller.health("matrix").failures - before;
        assert!(tries <= 2, "{name}: {tries} tries in two minutes");
        assert_eq!(outbox.cursor("matrix").await.unwrap(), Some(0), "{name}: nothing is given up");
        teller.stop().await;
    }
}

/// A web server that is not of our making and speaks to nobody without a certificate of the first authority.
struct Asking {
    url: String,
    process: Running,
}

impl Asking {
    fn start(safe: &Safe) -> Self {
        let port = free_port();
        let at = |name: &str| safe.path(name).display().to_string();
        let [certificate, key, ca] = ["server.pem", "server.key", "ca.pem"].map(at);
        let process = python_script("https_server.py", &[&port.to_string(), &certificate, &key, &ca]);
        wait_for_port("the server that asks for a certificate", port);
        Asking { url: format!("https://127.0.0.1:{port}"), process }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_asks_for_a_certificate_gets_ours_and_no_other_will_do() {
    let safe = Safe::new();
    // Its authority signed it, and it has run out.
    safe.sign("old", "client", "-not_before 20200101000000Z -not_after 20200201000000Z");
    let mut server = Asking::start(&safe);
    let with = |client: Option<(&str, &str)>| Tls {
        ca_file: Some(safe.path("ca.pem")),
        client: client.map(|(certificate, key)| (safe.path(certificate), safe.path(key))),
    };
    for (name, client, what, mend) in [
        ("none of ours", None, "ertificateRequired", "give `certificate_file` and `key_file`"),
        ("of another authority", Some(("other-ca.pem", "other-ca.key")), "UnknownCA", "check `certificate_file`"),
        ("run out", Some(("old.pem", "old.key")), "ertificateExpired", "put a new one into `certificate_file`"),
        (
            "key of another",
            Some(("client.pem", "server.key")),
            "client.pem cannot be shown",
            "the key of the certificate",
        ),
        ("no certificate", Some(("missing", "client.key")), "missing cannot be used", "`certificate_file` in ["),
        ("no certificate in it", Some(("client.key", "client.key")), "no certificate in it", "`certificate_file` in ["),
        ("no key", Some(("client.pem", "missing")), "missing cannot be used", "`key_file` in ["),
        ("no key in it", Some(("client.pem", "password")), "no private key in PEM form", "`key_file` in ["),
    ] {
        let clock = hasty_clock(20);
        let outbox = MemoryOutbox::default();
        let teller = Teller::start(fed(&safe, &server.url, &with(client)), &outbox, &clock);
        outbox.push(warning("w1"));
        for destination in DESTINATIONS {
            teller.wait(name, |t| t.health(destination).trouble.is_some()).await;
            let trouble = teller.health(destination).trouble.unwrap();
            println!("{name}, {destination}: {}; {}", trouble.what, trouble.mend);
            assert!(trouble.what.contains(what) && trouble.mend.contains(mend), "{name}, {destination}: {trouble:?}");
            assert_eq!(outbox.cursor(destination).await.unwrap(), Some(0), "{name}: nothing is given up");
        }
        teller.stop().await;
    }
    assert_eq!(server.process.lines_so_far(), [""; 0], "nobody got in");

    // A key that comes late is found without a restart, and then everything arrives.
    let clock = hasty_clock(20);
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(fed(&safe, &server.url, &with(Some(("client.pem", "late")))), &outbox, &clock);
    outbox.push(warning("w1"));
    for destination in DESTINATIONS {
        teller.wait("the finding", |t| t.health(destination).trouble.is_some()).await;
    }
    std::fs::copy(safe.path("client.key"), safe.path("late")).unwrap();
    for destination in DESTINATIONS {
        teller.delivered(destination, 1).await;
        teller.wait("recovery", |t| t.health(destination).trouble.is_none()).await;
    }
    teller.stop().await;
    let mut awaited = vec!["POST /api/v2/write client", "POST /_matrix/client/v3/login client", "POST /hook client"];
    while !awaited.is_empty() {
        let came = server.process.line(Duration::from_secs(30), |line| Some(line.to_owned()));
        awaited.retain(|request| *request != came);
    }
}
