//! A broker whose disk is full: it acknowledges all the same, and only its next start shows what it has lost.
//!
//! It needs root and loop devices, as mounting does.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use tallyhook::clock::Clock;
use tallyhook::figures::{self, Record};
use tallyhook::publish::health::{Board, DestinationHealth};
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook_analysis::units::Span;

use super::teller::broker::{Broker, Memory};
use super::{LIFT, Publisher, Subscriber, config, message, publisher_of};

/// A file system of 2 MB over a directory.
struct Disk {
    mount: PathBuf,
    _image: tempfile::TempDir,
}

impl Disk {
    fn over(mount: &Path) -> Self {
        let home = tempfile::tempdir().unwrap();
        let image = home.path().join("disk.img");
        std::fs::File::create(&image).unwrap().set_len(2 << 20).unwrap();
        done(Command::new("mkfs.ext4").arg("-q").arg(&image));
        done(Command::new("mount").args(["-o", "loop"]).arg(&image).arg(mount));
        Disk { mount: mount.to_owned(), _image: home }
    }

    fn fill(&self) {
        let mut file = std::fs::File::create(self.mount.join("filler")).unwrap();
        // What the file system sets aside for blocks still to be placed comes free with a sync: again until none is left.
        for _ in 0..5 {
            let full = (0..4096).find_map(|_| file.write_all(&[1; 1024]).err()).expect("2 MB are full");
            assert_eq!(full.kind(), std::io::ErrorKind::StorageFull);
            file.sync_all().unwrap();
        }
    }

    fn free(&self) {
        std::fs::remove_file(self.mount.join("filler")).unwrap();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(&self.mount).status();
    }
}

fn done(command: &mut Command) {
    let output = command.output().unwrap_or_else(|e| panic!("cannot start {command:?}: {e}"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {said}; this test needs root and loop devices");
}

async fn wait(what: &str, mut ready: impl FnMut() -> bool) {
    let clock = Clock::system();
    for _ in 0..6000 {
        if ready() {
            return;
        }
        clock.sleep(Span::from_ms(10)).await;
    }
    panic!("{what} did not come within 60 s");
}

/// The hoist has done so many lifts.
fn shows(publisher: &Publisher, lifts: u64) {
    let mut record = Record::default();
    record.totals.lifts = lifts;
    publisher.figures.send_replace(Arc::new(figures::of_site(&config(0), |_| record.clone())));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_on_a_full_disk_is_found_out_when_it_starts_again_and_nothing_is_sent_in_a_loop() {
    let mut broker = Broker::stopped(Memory::AtOnce);
    let disk = Disk::over(broker.directory.path());
    broker.again();
    let subscriber = Subscriber::start(broker.port, "reader", "eastfield/#");
    subscriber.hears(&broker).await;
    let (outbox, board) = (MemoryOutbox::default(), Board::default());
    outbox.set_cursor("mqtt", 0).await.unwrap();
    let clock = Clock::system();
    let publisher = publisher_of(config(broker.port), outbox.clone(), outbox.stored(), &clock, &board);
    let health = || -> DestinationHealth { board.watch().borrow()["mqtt"].clone() };
    let saved = |lifts: u64| {
        let kept = std::fs::read(disk.mount.join("mosquitto.db")).unwrap_or_default();
        let wanted = format!("\"lifts\":{lifts},").into_bytes();
        kept.windows(wanted.len()).any(|window| window == wanted)
    };
    let hears = |lifts: u64| {
        let wanted = format!("\"lifts\":{lifts},");
        subscriber
            .lines
            .lock()
            .unwrap()
            .iter()
            .any(|(topic, payload)| topic.ends_with("/state") && payload.contains(&wanted))
    };

    // A broker that keeps what it acknowledges is believed.
    shows(&publisher, 1111);
    wait("the first state on the disk", || saved(1111)).await;
    broker.kill();
    broker.again();
    shows(&publisher, 2222);
    wait("the second state on the disk", || saved(2222)).await;
    assert_eq!(health().forgot, None);

    disk.fill();
    shows(&publisher, 3333);
    wait("the third state", || hears(3333)).await;
    let failures = health().failures;
    (0..50).for_each(|n| outbox.push(message(n)));
    subscriber.wait("the last message", |lines| lines.iter().any(|(_, p)| p.contains("\"m49\""))).await;
    wait("its acknowledgement", || health().trouble.is_none()).await;
    clock.sleep(Span::from_ms(2_000)).await;
    assert_eq!(outbox.cursor("mqtt").await.unwrap(), Some(50), "it acknowledges all the same");
    let came = subscriber.lines.lock().unwrap().iter().filter(|(topic, _)| topic == LIFT).count();
    assert_eq!((came, health().failures), (50, failures), "each once, on one connection");
    assert!(!saved(3333) && health().forgot.is_none(), "nobody can know yet");

    broker.kill();
    broker.again();
    wait("the finding", || health().forgot.is_some()).await;
    let found = health().forgot.unwrap();
    assert!(found.what.contains("older state") && found.mend.contains("disk is full"), "{found:?}");

    disk.free();
    shows(&publisher, 4444);
    wait("the fourth state on the disk", || saved(4444)).await;
    broker.kill();
    broker.again();
    wait("the end of the finding", || health().forgot.is_none()).await;
    publisher.stop().await;
}
