//! What feeds the watchdog: a drive that hangs does not starve it, a disk that hangs does.

#![allow(clippy::disallowed_methods, reason = "a service manager waits in real time")]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use tallyhook_tests::cabinet::{Cabinet, Running, pause, wait_for};
use tallyhook_tests::manager::Manager;
use tallyhook_tests::modbus::{FunctionProxy, Libmodbus};
use tallyhook_tests::peers::{free_port, wait_for_port};

use tallyhook_tests::yard::configuration;

/// Starts the daemon as a service manager does and waits until it says that it is ready.
fn ready(cabinet: &Cabinet, manager: &Manager, page_port: u16) -> Running {
    let daemon =
        cabinet.start_with(&[("NOTIFY_SOCKET", manager.socket.as_os_str())], &["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    wait_for("READY=1", Duration::from_secs(10), || manager.was_told("READY=1").then_some(()));
    daemon
}

#[test]
fn a_frozen_drive_is_no_hang() {
    let cabinet = Cabinet::new();
    let (drive, drive_port) = Libmodbus::tcp(1, &[]);
    let proxy = FunctionProxy::before(drive_port);
    let page_port = free_port();
    cabinet.write("site.toml", &configuration(proxy.port, page_port, ""));
    let manager = Manager::start();
    let mut daemon = ready(&cabinet, &manager, page_port);
    pause(Duration::from_secs(3));
    // The peer takes calls and bytes, and never says a word again.
    drive.process.signal("STOP");
    let frozen = Instant::now();
    pause(Duration::from_secs(12));
    let fed = manager.fed_since(frozen);
    drive.process.signal("CONT");
    println!("fed {fed} times in 12 s with the drive frozen");
    assert!(fed >= 8, "fed {fed} times in 12 s");
    assert!(daemon.runs(), "{}", daemon.stderr());
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));
    assert!(manager.was_told("STOPPING=1"));
}

/// A file system of its own in a file, so that it can be frozen: every write to it then hangs in the kernel, as with a
/// disk that does not answer any more. It needs root, as mounting does.
struct Disk {
    mount: PathBuf,
    frozen: bool,
    _image: Cabinet,
}

impl Disk {
    fn at(mount: &Path) -> Self {
        let home = Cabinet::new();
        let image = home.path().join("disk.img");
        std::fs::File::create(&image).unwrap().set_len(32 << 20).unwrap();
        std::fs::create_dir_all(mount).unwrap();
        done(Command::new("mkfs.ext4").arg("-q").arg(&image));
        done(Command::new("mount").args(["-o", "loop"]).arg(&image).arg(mount));
        Disk { mount: mount.to_owned(), frozen: false, _image: home }
    }

    fn freeze(&mut self) {
        done(Command::new("fsfreeze").arg("--freeze").arg(&self.mount));
        self.frozen = true;
    }

    fn thaw(&mut self) {
        done(Command::new("fsfreeze").arg("--unfreeze").arg(&self.mount));
        self.frozen = false;
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        if self.frozen {
            let _ = Command::new("fsfreeze").arg("--unfreeze").arg(&self.mount).status();
        }
        let _ = Command::new("umount").arg("--lazy").arg(&self.mount).status();
    }
}

fn done(command: &mut Command) {
    let output = command.output().unwrap_or_else(|e| panic!("cannot start {command:?}: {e}"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {said}; this test needs root and loop devices");
}

#[test]
fn a_disk_that_hangs_starves_the_watchdog_and_a_kill_ends_the_hang() {
    let cabinet = Cabinet::new();
    let mut disk = Disk::at(&cabinet.path().join("data"));
    let (_drive, drive_port) = Libmodbus::tcp(1, &[]);
    let proxy = FunctionProxy::before(drive_port);
    let page_port = free_port();
    let text = configuration(proxy.port, page_port, "");
    // No ring of raw samples: the ledger's own commit is to be what hangs.
    let text = text.replace("samples = { days = 2, megabytes = 50 }", "commit_every = \"1s\"");
    cabinet.write("site.toml", &text);
    let manager = Manager::start();
    let mut daemon = ready(&cabinet, &manager, page_port);
    pause(Duration::from_secs(4));
    let working = Instant::now();
    pause(Duration::from_secs(4));
    assert!(manager.fed_since(working) >= 3, "fed while all is well");

    disk.freeze();
    // The commit that comes next hangs; what was under way may end.
    pause(Duration::from_secs(4));
    let hung = Instant::now();
    pause(Duration::from_secs(10));
    assert_eq!(manager.fed_since(hung), 0, "not fed while the writer hangs");
    assert!(daemon.runs(), "it hangs, it has not ended: {}", daemon.stderr());

    // A disk that comes back is no reason to restart.
    disk.thaw();
    wait_for("food again", Duration::from_secs(20), || (manager.fed_since(hung) > 2).then_some(()));
    assert!(daemon.runs(), "{}", daemon.stderr());

    // A real hang: what the service manager does then, and what comes after it.
    daemon.signal("STOP");
    let stopped = Instant::now();
    pause(Duration::from_secs(4));
    assert!(manager.fed_since(stopped) <= 1, "nothing but what was on its way");
    daemon.signal("ABRT");
    daemon.signal("CONT");
    assert_eq!(daemon.wait(Duration::from_secs(10)).code(), None, "killed by the signal");
    let again = ready(&cabinet, &manager, page_port);
    let restarted = Instant::now();
    wait_for("food after the restart", Duration::from_secs(10), || (manager.fed_since(restarted) > 2).then_some(()));
    assert_eq!(again.interrupt(Duration::from_secs(20)).code(), Some(0));
}
