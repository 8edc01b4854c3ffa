//! Tests `tests/tools/provide` on a made-up machine. Stand-ins for its installers write down what they are asked to do.
#![cfg(unix)]

use forewarm_tests::root;
use std::collections::BTreeSet;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::PathBuf;
use std::process::{Command, Output};
use tempfile::TempDir;

const TARGETS: [&str; 3] = ["thumbv6m-none-eabi", "thumbv7m-none-eabi", "thumbv7em-none-eabihf"];

/// A broker that the machine of these tests may have itself.
const SYSTEM_BROKER: &str = "/usr/sbin/mosquitto";

/// A machine where nothing is installed yet.
struct Machine(TempDir);

impl Machine {
    fn new() -> Self {
        let machine = Self(tempfile::tempdir().expect("a folder"));
        std::fs::create_dir(machine.path("bin")).expect("a folder");
        for tool in ["grep", "ls", "flock", "sleep", "mkdir", "cat", "chmod", "touch", "dirname"] {
            let place = std::env::split_paths(&std::env::var_os("PATH").expect("a PATH"))
                .map(|folder| folder.join(tool))
                .find(|file| file.is_file())
                .unwrap_or_else(|| panic!("this test needs {tool}"));
            symlink(place, machine.path("bin").join(tool)).expect("a link");
        }
        // Long enough for others to interfere, if nothing stops them.
        machine.stand_in(
            "apt-get",
            "echo apt-get \"$@\" >> $HERE/log; sleep 0.2; case \"$*\" in *qemu*)
            echo 'echo lm3s6965evb' > $HERE/bin/qemu-system-arm; chmod +x $HERE/bin/qemu-system-arm
            echo true > $HERE/bin/chromium; chmod +x $HERE/bin/chromium
            echo 'echo mosquitto version 2' > $HERE/bin/mosquitto; chmod +x $HERE/bin/mosquitto
            echo 'echo true' > $HERE/bin/node; chmod +x $HERE/bin/node
            echo true > $HERE/bin/npm; chmod +x $HERE/bin/npm;; esac",
        );
        machine.stand_in("rustc", "echo $HERE/sysroot");
        machine.stand_in(
            "rustup",
            "echo rustup \"$@\" >> $HERE/log; sleep 0.1
            mkdir -p $HERE/sysroot/lib/rustlib/$3/lib; touch $HERE/sysroot/lib/rustlib/$3/lib/libcore-1.rlib",
        );
        // Not root, wherever the tests run.
        machine.stand_in("id", "echo 1000");
        machine
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn stand_in(&self, name: &str, script: &str) {
        let path = self.path("bin").join(name);
        let script = script.replace("$HERE", &self.0.path().display().to_string());
        std::fs::write(&path, format!("#!/bin/sh\n{script}\n")).expect("a script");
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).expect("a script that runs");
    }

    /// What was done to it, in order.
    fn log(&self) -> Vec<String> {
        let log = std::fs::read_to_string(self.path("log")).unwrap_or_default();
        log.lines().map(str::to_owned).collect()
    }

    fn provide(&self, wanted: &str, may_install: bool) -> Command {
        let mut command = Command::new(root().join("tests/tools/provide"));
        command.arg(wanted).env_clear().env("PATH", self.path("bin")).env("TMPDIR", self.0.path());
        if may_install {
            command.env("CI", "1");
        }
        command
    }
}

fn printed(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).trim().to_owned()
}

#[test]
fn what_is_missing_is_brought_once_however_many_ask_for_it_at_once() {
    let machine = Machine::new();
    let asked = ["emulator", "browser", "broker", "thumbv7m-none-eabi", "emulator", "thumbv6m-none-eabi"];
    let asking: Vec<_> = asked
        .iter()
        .map(|wanted| {
            let mut command = machine.provide(wanted, true);
            command.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped());
            command.spawn().expect("it starts")
        })
        .collect();
    for (wanted, child) in asked.iter().zip(asking) {
        let found = printed(&child.wait_with_output().expect("an end"));
        let expected = match *wanted {
            "emulator" => machine.path("bin/qemu-system-arm"),
            "browser" => machine.path("bin/chromium"),
            // Where Debian puts it, outside the made-up machine, it is found too.
            "broker" if PathBuf::from(SYSTEM_BROKER).is_file() => SYSTEM_BROKER.into(),
            "broker" => machine.path("bin/mosquitto"),
            _ => "active".into(),
        };
        assert_eq!(PathBuf::from(found), expected, "{wanted}");
    }
    let log = machine.log();
    let installed: Vec<_> = log.iter().filter(|line| line.contains(" install ")).collect();
    assert_eq!(installed.len(), 1, "{log:?}");
    assert!(
        installed[0].replace(" mosquitto", "").ends_with("qemu-system-arm chromium nodejs npm"),
        "another compiler is not needed: {log:?}"
    );
    let fetched: Vec<_> = log.iter().filter(|line| line.starts_with("rustup")).collect();
    let each: BTreeSet<String> = TARGETS.iter().map(|target| format!("rustup target add {target}")).collect();
    assert_eq!(fetched.len(), 3, "{log:?}");
    assert_eq!(fetched.into_iter().cloned().collect::<BTreeSet<_>>(), each);
}

#[test]
fn another_compiler_is_thought_of_only_where_the_active_toolchain_cannot_have_the_target() {
    let machine = Machine::new();
    machine.stand_in("rustup", "echo rustup \"$@\" >> $HERE/log; exit 1");
    // The stand-in installs no compiler. The test looks at whether and when it was asked to.
    let _ = machine.provide("thumbv7m-none-eabi", true).output().expect("it starts");
    let log = machine.log();
    let fetched = log.iter().position(|line| line.starts_with("rustup target add thumbv7m")).expect("it was tried");
    let other = log.iter().position(|line| line.contains("rustc-web")).expect("then the other one");
    assert!(fetched < other, "{log:?}");
    assert_eq!(log.iter().filter(|line| line.contains("rustc-web")).count(), 1, "{log:?}");
}

#[test]
fn who_may_not_install_is_shown_the_command_and_nothing_is_done() {
    let machine = Machine::new();
    for (wanted, command) in [
        ("emulator", "qemu-system-arm"),
        ("browser", "chromium"),
        ("rp2040", "nodejs npm"),
        ("signalk", "nodejs npm"),
        (TARGETS[0], "rustup target add"),
    ] {
        let output = machine.provide(wanted, false).output().expect("it starts");
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(command), "{said}");
    }
    assert!(machine.log().is_empty(), "{:?}", machine.log());
}
