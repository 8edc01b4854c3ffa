//! Runs the emulator as a process, and makes the lines to it.
//!
//! It starts again for each power-up, and ends when [`Machine`] is dropped. It leaves nothing behind: the lines are
//! made in a folder that goes as soon as they are joined.
//!
//! Its clock counts instructions. So watchdog and timers of the board follow what the program does, and not how busy
//! this machine is.

use super::image::{BUILD, Image};
use super::inbox::Inbox;
use super::leash;
use super::line::{Line, Trouble};
use super::monitor::{Monitor, Probe};
use super::patience::Patience;
use crate::diagnostic::{Problem, escaped};
use crate::threads;
use std::ffi::OsStr;
use std::io::{self, ErrorKind, Read};
use std::os::fd::OwnedFd;
use std::os::unix::net::{UnixListener, UnixStream};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{JoinHandle, sleep};
use std::time::Duration;
use tempfile::TempDir;

/// The emulator's name.
pub const EMULATOR: &str = "qemu-system-arm";

/// How to install it.
const INSTALL: &str = "install QEMU for ARM: apt-get install --no-install-recommends qemu-system-arm (Debian, as root), or \
                       `tests/tools/provide emulator` in the project's folder";

/// The machine whose processor, ports and watchdog the image is built for.
const MACHINE: &str = "lm3s6965evb";

/// An instruction takes 2^6 ns of the board's time, 0.8 of a cycle of its 12.5 MHz.
const CLOCK: &str = "shift=6";

/// A core that can replace the machine's own, to run images that are built for it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Core {
    /// Without atomic read-modify-write, divider or floating-point unit.
    M0,
    /// The machine's own.
    #[default]
    M3,
    /// With a floating-point unit.
    M4,
}

/// What to start.
#[derive(Clone, Debug)]
pub struct Setup<'a> {
    /// The emulator: a path, or a name to look for along `PATH`.
    pub emulator: &'a OsStr,
    /// The program.
    pub image: &'a Image,
    /// The processor's core.
    pub core: Core,
    /// The file for the log, unchanged from the board. No log is kept for `None`.
    pub log: Option<&'a Path>,
    /// Whether there is a service line.
    pub service: bool,
    /// Whether there is a line to command the emulator.
    pub monitor: bool,
    /// How long the emulator may compute until it, or the board in it, answers.
    pub patience: Duration,
}

impl<'a> Setup<'a> {
    /// `image` on the machine's own core, with the link alone.
    #[must_use]
    pub fn new(image: &'a Image) -> Self {
        Self {
            emulator: OsStr::new(EMULATOR),
            image,
            core: Core::M3,
            log: None,
            service: false,
            monitor: false,
            patience: Duration::from_secs(20),
        }
    }
}

/// A machine that has been switched on. Switched off when dropped.
#[derive(Debug)]
pub struct Machine {
    process: Arc<Mutex<Process>>,
    patience: Patience,
    image: String,
    /// The end of the emulator's standard error, after the emulator has ended.
    complaints: Option<JoinHandle<String>>,
    /// Commands to the emulator, if set up.
    pub monitor: Option<Monitor>,
}

/// The lines to a machine that has been switched on.
#[derive(Debug)]
pub struct Lines {
    /// The link: see [`Rig`](super::rig::Rig).
    pub rig: Line,
    /// The processor's memory.
    pub probe: Probe,
    /// The service line, if set up.
    pub service: Option<UnixStream>,
}

/// What must not outlast this program.
#[derive(Debug)]
struct Process {
    child: Child,
    folder: Option<TempDir>,
}

impl Process {
    fn end(&mut self) {
        // This fails only if the process has already ended.
        let _ = self.child.kill();
        let _ = self.child.wait();
        self.folder = None;
    }
}

/// Every machine of this program that is switched on.
static RUNNING: Mutex<Vec<Arc<Mutex<Process>>>> = Mutex::new(Vec::new());

/// Switches every machine off, and prevents new ones. For the moment before something outside ends the process, when
/// nothing is dropped any more.
pub fn switch_all_off() {
    let running = RUNNING.lock().unwrap_or_else(PoisonError::into_inner);
    for process in &*running {
        process.lock().unwrap_or_else(PoisonError::into_inner).end();
    }
    std::mem::forget(running);
}

impl Machine {
    /// Switches a machine on.
    ///
    /// # Errors
    /// An emulator that is not installed, does not start or ends at once, and a temporary folder that cannot be used.
    pub fn start(setup: &Setup<'_>) -> Result<(Self, Lines), Problem> {
        let Setup { emulator, image, core, log, .. } = setup;
        let name = emulator.display().to_string();
        let unusable = |error: io::Error| {
            Problem::error("temporary folder", format!("cannot be used for lines to the emulator: {error}"))
                .remedy("set TMPDIR=/tmp, or another folder with a short name that you may write to")
        };
        let (rig, theirs) = UnixStream::pair().map_err(unusable)?;
        let theirs = OwnedFd::from(theirs);
        let folder = tempfile::Builder::new().prefix("forewarm-").tempdir().map_err(unusable)?;
        let listen = |name: &str| -> Result<(UnixListener, PathBuf), Problem> {
            let path = folder.path().join(name);
            let listener = UnixListener::bind(&path).map_err(unusable)?;
            Ok((listener, path))
        };
        let probe = listen("probe")?;
        let service = setup.service.then(|| listen("service")).transpose()?;
        let monitor = setup.monitor.then(|| listen("monitor")).transpose()?;

        let mut command = leash::command(emulator);
        command.args(["-M", MACHINE, "-icount", CLOCK, "-nodefaults", "-no-user-config", "-display", "none"]);
        match core {
            Core::M0 => command.args(["-cpu", "cortex-m0"]),
            Core::M3 => &mut command,
            Core::M4 => command.args(["-cpu", "cortex-m4"]),
        };
        // The order of these arguments is the order of the serial ports.
        match &service {
            Some((_, path)) => {
                command.arg("-chardev").arg(socket("service", path)).args(["-serial", "chardev:service"])
            }
            None => command.args(["-serial", "null"]),
        };
        match log {
            Some(path) => command
                .arg("-chardev")
                .arg(format!("file,id=log,path={}", doubled_commas(path)))
                .args(["-serial", "chardev:log"]),
            None => command.args(["-serial", "null"]),
        };
        command.args(["-chardev", "stdio,id=rig,signal=off", "-serial", "chardev:rig"]);
        if let Some((_, path)) = &monitor {
            command.arg("-chardev").arg(socket("monitor", path)).args(["-mon", "chardev=monitor,mode=control"]);
        }
        command.arg("-qtest").arg(format!("unix:{}", doubled_commas(&probe.1))).args(["-qtest-log", "none"]);
        command.arg("-kernel").arg(image.path());
        // Both directions use one socket. Unlike a pipe, it can be read with a time limit.
        command.stdin(theirs.try_clone().map_err(unusable)?).stdout(theirs).stderr(Stdio::piped());
        // An interrupt from the keyboard reaches this program only. It then ends the emulator.
        command.process_group(0);

        let mut running = RUNNING.lock().unwrap_or_else(PoisonError::into_inner);
        let mut child = command.spawn().map_err(|error| cannot_start(&name, &error))?;
        // The command holds our copies of the emulator's end of the link. The link cannot close before they go.
        drop(command);
        let stderr = child.stderr.take();
        let patience = Patience::with_process(child.id(), setup.patience);
        let process = Arc::new(Mutex::new(Process { child, folder: Some(folder) }));
        running.push(Arc::clone(&process));
        drop(running);

        let mut machine = Self { process, patience, image: image.shown(), complaints: None, monitor: None };
        // Only now. If no thread can be started, the machine exists and can be ended.
        let listener = stderr.map(|stderr| threads::named("complaints").spawn(|| end_of(stderr)));
        machine.complaints = listener.transpose().map_err(|error| threads::not_started(&error))?;
        let mut join = |(listener, _): (UnixListener, PathBuf)| machine.join(&listener);
        let probe = join(probe)?;
        let (service, monitor) = (service.map(&mut join).transpose()?, monitor.map(&mut join).transpose()?);
        machine.lock().folder = None;
        let monitor = monitor.map(|stream| Monitor::new(stream, patience)).transpose();
        machine.monitor = monitor.map_err(|trouble| machine.explain(&trouble))?;
        let probe = Probe::new(probe, patience).map_err(|trouble| machine.explain(&trouble))?;
        let rig = Line::into(Inbox::new(probe.clone(), patience), rig);
        Ok((machine, Lines { rig, probe, service }))
    }

    /// How long this machine may take to answer.
    #[must_use]
    pub const fn patience(&self) -> Patience {
        self.patience
    }

    /// The number of the emulator's process.
    #[must_use]
    pub fn process_id(&self) -> u32 {
        self.lock().child.id()
    }

    /// What to report to a fitter about trouble with this machine.
    #[must_use]
    pub fn explain(&mut self, trouble: &Trouble) -> Problem {
        let problem = |message: String| Problem::error(&self.image, message);
        match trouble {
            Trouble::Closed { awaited } => {
                let awaited = *awaited;
                self.ended(awaited)
            }
            Trouble::Silent { .. } => problem(trouble.to_string())
                .because("the image is probably another one, or has no seal; a busy machine does not cause this")
                .remedy(format!("an image of this version's firmware for the emulated board: {BUILD}")),
            Trouble::Frame(_) | Trouble::Refused { .. } | Trouble::Unexpected { .. } => problem(trouble.to_string())
                .because("image and this program do not speak the same protocol, or one of them is wrong")
                .remedy("an image of this version's firmware for the emulated board"),
            Trouble::Thread(error) => threads::not_started(error),
            Trouble::Line(_) => problem(trouble.to_string()),
        }
    }

    /// The emulator has ended, or will in a moment.
    fn ended(&mut self, awaited: &str) -> Problem {
        let status = self
            .within(Patience::by_the_clock(Duration::from_secs(2)), |process| process.child.try_wait().ok().flatten());
        let how = match status {
            Some(status) => format!("the emulator has ended by itself ({status}); expected {awaited}"),
            None => format!("the emulator has closed its line; expected {awaited}"),
        };
        // Its standard error stays open until it ends.
        self.lock().end();
        let said = self.complaints.take().and_then(|complaints| complaints.join().ok()).unwrap_or_default();
        let problem = Problem::error(&self.image, how);
        let said = said.trim();
        if said.is_empty() {
            problem
        } else {
            problem.because(format!("it said: {}", escaped(said).replace("\\n", "; ")))
        }
    }

    /// The emulator's end of a line.
    fn join(&mut self, listener: &UnixListener) -> Result<UnixStream, Problem> {
        let unusable = |error: io::Error| Problem::error("line to the emulator", format!("cannot be used: {error}"));
        listener.set_nonblocking(true).map_err(unusable)?;
        let awaited = "it to join its lines";
        let joined = self.within(self.patience, |process| match listener.accept() {
            Ok((stream, _)) => Some(Ok(stream)),
            Err(error) if error.kind() == ErrorKind::WouldBlock => {
                // It may have joined just before it ended. Then the missing answer shows the end.
                process.child.try_wait().ok().flatten().map(|_| Err(None))
            }
            Err(error) => Some(Err(Some(error))),
        });
        match joined {
            Some(Ok(stream)) => {
                stream.set_nonblocking(false).map_err(unusable)?;
                Ok(stream)
            }
            Some(Err(None)) => Err(self.ended(awaited)),
            Some(Err(Some(error))) => Err(unusable(error)),
            None => Err(self.explain(&Trouble::Silent { awaited, patience: self.patience.limit() })),
        }
    }

    /// Tries again until there is a result or `patience` is over.
    fn within<T>(&self, patience: Patience, mut attempt: impl FnMut(&mut Process) -> Option<T>) -> Option<T> {
        let mut wait = patience.begin();
        loop {
            let found = attempt(&mut self.lock());
            if found.is_some() || wait.is_over() {
                return found;
            }
            sleep(Duration::from_millis(1));
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Process> {
        self.process.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        self.lock().end();
        RUNNING.lock().unwrap_or_else(PoisonError::into_inner).retain(|process| !Arc::ptr_eq(process, &self.process));
        if let Some(complaints) = self.complaints.take() {
            let _ = complaints.join();
        }
    }
}

fn cannot_start(name: &str, error: &io::Error) -> Problem {
    let problem = |message: &str| Problem::error(name, message).remedy(INSTALL);
    match error.kind() {
        ErrorKind::NotFound => problem("the emulator is not installed, or not where this command looks for it"),
        ErrorKind::PermissionDenied => problem("you may not run the emulator"),
        _ => problem(&format!("the emulator cannot be started: {error}")),
    }
}

fn socket(id: &str, path: &Path) -> String {
    format!("socket,id={id},path={}", doubled_commas(path))
}

/// A path as the emulator reads it in a list.
fn doubled_commas(path: &Path) -> String {
    path.display().to_string().replace(',', ",,")
}

/// Reads to the end, and keeps the last part.
fn end_of(mut stderr: impl Read) -> String {
    const KEPT: usize = 2000;
    let mut kept = Vec::new();
    let mut bytes = [0; 1024];
    while let Ok(length @ 1..) = stderr.read(&mut bytes) {
        kept.extend(&bytes[..length]);
        kept.drain(..kept.len().saturating_sub(KEPT));
    }
    String::from_utf8_lossy(&kept).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use std::os::unix::fs::OpenOptionsExt;

    struct Scripted {
        folder: TempDir,
        image: Image,
    }

    impl Scripted {
        fn new() -> Self {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("image");
            let mut head = b"\x7fELF\x01\x01\x01".to_vec();
            head.resize(16, 0);
            head.extend([2, 0, 40, 0]);
            std::fs::write(&path, head).unwrap();
            Self { image: Image::open(&path).unwrap(), folder }
        }

        /// An emulator that is a script.
        fn emulator(&self, script: &str) -> PathBuf {
            let path = self.folder.path().join("emulator");
            let mut options = std::fs::OpenOptions::new();
            let mut file = options.write(true).create_new(true).mode(0o755).open(&path).unwrap();
            file.write_all(format!("#!/bin/sh\n{script}\n").as_bytes()).unwrap();
            path
        }
    }

    fn setup<'a>(image: &'a Image, emulator: &'a Path) -> Setup<'a> {
        Setup { emulator: emulator.as_os_str(), ..Setup::new(image) }
    }

    #[test]
    fn an_emulator_that_is_not_installed_says_what_to_install() {
        let bench = Scripted::new();
        let problem = Machine::start(&setup(&bench.image, Path::new("no-such-emulator"))).unwrap_err().to_string();
        assert!(problem.contains("not installed") && problem.contains("qemu-system-arm"), "{problem}");
    }

    #[test]
    fn an_emulator_that_ends_early_is_told_with_what_it_said() {
        let bench = Scripted::new();
        let emulator = bench.emulator("echo 'no such machine' >&2; exit 3");
        let problem = Machine::start(&setup(&bench.image, &emulator)).unwrap_err().to_string();
        assert!(problem.contains("exit status: 3") && problem.contains("no such machine"), "{problem}");
    }

    #[test]
    fn a_machine_that_is_dropped_leaves_no_process_behind() {
        let bench = Scripted::new();
        let id = bench.folder.path().join("id");
        let emulator = bench.emulator(&format!("echo $$ > {}; exec sleep 1000", id.display()));
        let patience = Duration::from_secs(2);
        let problem = Machine::start(&Setup { patience, ..setup(&bench.image, &emulator) }).unwrap_err().to_string();
        assert!(problem.contains("it to join its lines"), "{problem}");
        let id = std::fs::read_to_string(id).expect("it was started");
        assert!(
            Path::new("/proc/self").exists() && !Path::new("/proc").join(id.trim()).exists(),
            "{id} is still there"
        );
    }
}
