//! A command that talks to a controller on this computer while a test goes on.
#![allow(unreachable_pub, dead_code, reason = "each test binary includes this file as a module of its own")]

use crate::signals::heeding_signals;
use forewarm::installation::Installation;
use forewarm_core::quantity::Celsius;
use forewarm_core::signals::Sources;
use forewarm_tests::controller::{Controller, Setup, World};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Far more than anything here takes: whoever waits for so long waits for something that will not come.
const PATIENCE: Duration = Duration::from_mins(3);

/// The demonstration's installation file.
pub fn hut() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/hut.toml")
}

/// A controller with the settings of the demonstration, in the cold.
pub fn controller(setup: &Setup) -> Controller {
    let installation = Installation::load(&hut()).expect("the demonstration passes its check");
    Controller::start(&installation.settings, World::at(Celsius::from_millidegrees(-4_000)), setup)
}

/// Makes the source of this index present, or takes it away.
pub fn set_source(controller: &Controller, index: usize, is_present: bool) {
    let source = Sources::NONE.with(index);
    controller.change(|world| {
        world.sources = if is_present { world.sources.or(source) } else { world.sources.without(source) };
    });
}

/// Waits until something is so.
pub fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A running command.
pub struct Running {
    child: Child,
    stdout: Arc<Mutex<String>>,
    stderr: Arc<Mutex<String>>,
}

fn gathered(mut stream: impl Read + Send + 'static) -> Arc<Mutex<String>> {
    let text = Arc::new(Mutex::new(String::new()));
    let gathered = Arc::clone(&text);
    std::thread::spawn(move || {
        let mut room = [0; 4096];
        while let Ok(length @ 1..) = stream.read(&mut room) {
            let piece = String::from_utf8_lossy(&room[..length]).into_owned();
            gathered.lock().unwrap_or_else(PoisonError::into_inner).push_str(&piece);
        }
    });
    text
}

impl Running {
    /// Starts `forewarm` with these arguments.
    pub fn start(arguments: &[&str]) -> Self {
        let mut command = heeding_signals(env!("CARGO_BIN_EXE_forewarm"));
        command.args(arguments);
        Self::spawn(command)
    }

    /// Starts a shell that may make files of so many blocks of 512 or 1024 bytes at most, and `forewarm` in it.
    pub fn start_with_small_files(blocks: u32, arguments: &[&str]) -> Self {
        let mut command = Command::new("sh");
        let script = format!("ulimit -f {blocks}; exec \"$@\"");
        let forewarm = env!("CARGO_BIN_EXE_forewarm");
        command.args(["-c", &script, "sh", "env", "--default-signal=INT,TERM,XFSZ", forewarm]).args(arguments);
        Self::spawn(command)
    }

    fn spawn(mut command: Command) -> Self {
        let command = command.env_remove("CLICOLOR_FORCE");
        let piped = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = piped.spawn().expect("the command starts");
        let stdout = gathered(child.stdout.take().expect("it was piped"));
        let stderr = gathered(child.stderr.take().expect("it was piped"));
        Self { child, stdout, stderr }
    }

    pub fn stdout(&self) -> String {
        self.stdout.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub fn stderr(&self) -> String {
        self.stderr.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Waits until it has printed this.
    pub fn until_it_says(&mut self, text: &str) {
        let mut is_said = false;
        let began = Instant::now();
        while !is_said && began.elapsed() < PATIENCE {
            // Everything that was printed before the end has been gathered soon after it.
            let ended = self.child.try_wait().expect("a child").is_some();
            std::thread::sleep(Duration::from_millis(20));
            is_said = self.stdout().contains(text) || self.stderr().contains(text);
            if ended && !is_said {
                std::thread::sleep(Duration::from_millis(200));
                is_said = self.stdout().contains(text) || self.stderr().contains(text);
                break;
            }
        }
        assert!(is_said, "it never said {text:?}\n{}\n{}", self.stdout(), self.stderr());
    }

    /// Types a line.
    pub fn type_in(&mut self, text: &str) {
        let stdin = self.child.stdin.as_mut().expect("it was piped");
        stdin.write_all(text.as_bytes()).and_then(|()| stdin.flush()).expect("it listens");
    }

    /// Interrupts it and returns its exit status.
    pub fn interrupt(self) -> i32 {
        self.signal("-INT");
        self.ended()
    }

    /// Ends it at once, without a chance to do anything.
    pub fn kill(mut self) {
        self.child.kill().expect("it runs");
        self.child.wait().expect("it ends");
    }

    fn signal(&self, signal: &str) {
        let sent = Command::new("kill").args([signal, &self.child.id().to_string()]).status().expect("kill");
        assert!(sent.success());
    }

    /// Waits for its end.
    pub fn ended(mut self) -> i32 {
        let mut status: Option<ExitStatus> = None;
        until("the command ends", || {
            status = self.child.try_wait().expect("a child");
            status.is_some()
        });
        status.and_then(|status| status.code()).expect("it ends by itself")
    }
}

/// A test that fails leaves nothing running.
impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
