//! A disk of 8 MB that is filled to the brim, then freed, then turned read-only by the kernel under the daemon; and one that is
//! only there to be read.
//!
//! It needs root and loop devices, as mounting does.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use tallyhook_tests::cabinet::{Cabinet, Running, wait_for};

use crate::bench::{Bench, Watch};

/// A file system of its own in a file.
struct Disk {
    mount: PathBuf,
    image: PathBuf,
    _home: Cabinet,
}

impl Disk {
    fn at(mount: &Path) -> Self {
        let home = Cabinet::new();
        let image = home.path().join("disk.img");
        std::fs::File::create(&image).unwrap().set_len(8 << 20).unwrap();
        std::fs::create_dir_all(mount).unwrap();
        done(Command::new("mkfs.ext4").arg("-q").arg(&image));
        let disk = Disk { mount: mount.to_owned(), image, _home: home };
        disk.up();
        disk
    }

    fn up(&self) {
        done(Command::new("mount").args(["-o", "loop,errors=remount-ro"]).arg(&self.image).arg(&self.mount));
    }

    /// As after an error of the medium: the kernel takes no more writes, open files or not.
    fn turn_read_only(&self) {
        let source = Command::new("findmnt").args(["-no", "SOURCE"]).arg(&self.mount).output().unwrap().stdout;
        let device = String::from_utf8(source).unwrap().trim().rsplit('/').next().unwrap().to_owned();
        let lever = format!("/sys/fs/ext4/{device}/trigger_fs_error");
        std::fs::write(&lever, "a test").unwrap_or_else(|e| panic!("{lever}: {e}; this test needs root and a sysfs"));
        let touched = std::fs::write(self.mount.join("touched"), "x").unwrap_err();
        assert_eq!(touched.kind(), std::io::ErrorKind::ReadOnlyFilesystem, "{touched}");
    }

    /// As somebody puts the card into another computer who only wants to look at it.
    fn is_read_only(&self) {
        done(Command::new("mount").args(["-o", "remount,ro"]).arg(&self.mount));
    }

    fn is_writable(&self) {
        done(Command::new("mount").args(["-o", "remount,rw"]).arg(&self.mount));
    }

    /// What somebody does who takes the card to another computer, and puts it back.
    fn mend(&self) {
        done(Command::new("umount").arg(&self.mount));
        let mended = Command::new("e2fsck").arg("-fy").arg(&self.image).output().unwrap();
        // 1: faults were found and mended.
        assert!(matches!(mended.status.code(), Some(0 | 1)), "{}", String::from_utf8_lossy(&mended.stdout));
        self.up();
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

/// What the page says of a record that is not stored; empty where all is well, nothing where it does not answer.
fn finding(bench: &Bench) -> Option<String> {
    let status = bench.page("/api/v1/status")?;
    // Left out where there is none.
    let mut findings = status["findings"].as_array().into_iter().flatten();
    let told = findings.find(|f| f["finding"] == "not_recorded");
    Some(told.map_or_else(String::new, |f| f["text"].as_str().unwrap().to_owned()))
}

const SOON: Duration = Duration::from_secs(90);

/// A daemon whose store has a disk of its own, with a lift in it.
fn with_a_lift() -> (Bench, Disk, Running, Watch) {
    let mut bench = Bench::new();
    let disk = Disk::at(&bench.cabinet.path().join("data"));
    let daemon = bench.start(&[]);
    let watch = bench.watch();
    wait_for("a lift", SOON, || (bench.shown() >= 1).then_some(()));
    (bench, disk, daemon, watch)
}

#[test]
fn a_disk_that_is_full_and_one_that_turns_read_only_are_told_and_what_was_good_stays() {
    let (mut bench, disk, daemon, watch) = with_a_lift();

    let filler = disk.mount.join("filler");
    let mut file = std::fs::File::create(&filler).unwrap();
    let full = (0..4096).find_map(|_| file.write_all(&[1; 4096]).err()).expect("8 MB are full");
    assert_eq!(full.kind(), std::io::ErrorKind::StorageFull);
    drop(file);
    let said = wait_for("the finding", SOON, || finding(&bench).filter(|text| !text.is_empty()));
    assert!(said.contains("no room") && said.contains("Counting goes on in memory"), "{said}");
    let stored = bench.shown();
    wait_for("lifts in memory", SOON, || {
        let lifts = bench.page("/api/v1/status")?["mechanisms"][0]["lifts"].as_u64()?;
        (lifts >= stored as u64 + 2).then_some(())
    });
    assert_eq!(bench.shown(), stored, "none of them can be committed");
    std::fs::remove_file(&filler).unwrap();
    wait_for("the end of the finding", SOON, || finding(&bench).filter(String::is_empty));
    wait_for("the lifts", SOON, || (bench.shown() >= stored + 2).then_some(()));
    bench.examine("full, then freed");

    disk.turn_read_only();
    let said = wait_for("the finding", SOON, || finding(&bench).filter(|text| !text.is_empty()));
    assert!(said.contains("cannot be read or written") && said.contains("check the disk"), "{said}");
    drop(watch);
    daemon.kill();
    disk.mend();
    bench.examine("read-only, then mended");
    let again = bench.start(&[]);
    bench.answered(20);
    assert_eq!(again.interrupt(Duration::from_secs(30)).code(), Some(0));
    bench.examine("and on");
    println!("{}", bench.account("and on"));
}

#[test]
fn a_card_that_can_only_be_read_answers_and_says_where_it_cannot() {
    let (mut bench, disk, daemon, watch) = with_a_lift();
    assert!(daemon.interrupt(SOON).success());
    drop(watch);

    disk.is_read_only();
    bench.examine("ended in order, on a medium that can only be read");
    for question in ["status", "lifts", "alarms", "trend"] {
        bench.cabinet.run(&[question, "--data", "data", "--json"]).json();
    }
    disk.is_writable();

    let daemon = bench.start(&[]);
    let (watch, before) = (bench.watch(), bench.shown());
    wait_for("another lift", SOON, || (bench.shown() > before).then_some(()));
    daemon.kill();
    drop(watch);
    // As a copy has it that was made file by file: what readers meet in is no part of it.
    std::fs::remove_file(disk.mount.join("ledger.sqlite3-shm")).unwrap();
    disk.is_read_only();
    let answer = bench.cabinet.run(&["status", "--data", "data"]);
    assert_eq!(answer.status.code(), Some(3), "{}", answer.stdout);
    assert!(
        answer.stderr.contains("cannot be written") && answer.stderr.contains("copy its directory"),
        "{}",
        answer.stderr
    );
    disk.is_writable();
    bench.examine("killed, and back where it can be written");
}
