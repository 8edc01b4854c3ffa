//! Starts processes that end with the thread that started them, however it ends.

use std::ffi::OsStr;
use std::process::Command;

/// A command whose process the system ends when the thread that started it ends, even if it is killed. This works on
/// Linux, with the `setpriv` of util-linux. Elsewhere the caller must end it.
///
/// A program that is missing or may not be run fails at its start, as it would without this.
#[must_use]
pub fn command(program: &OsStr) -> Command {
    match (which::which(program), setpriv()) {
        (Ok(program), Some(mut command)) => {
            command.arg(program);
            command
        }
        _ => Command::new(program),
    }
}

#[cfg(target_os = "linux")]
fn setpriv() -> Option<Command> {
    use std::process::Stdio;
    use std::sync::LazyLock;

    const ARGUMENTS: [&str; 3] = ["--pdeathsig", "KILL", "--"];
    // Other programs of that name cannot do this.
    static WORKS: LazyLock<bool> = LazyLock::new(|| {
        let mut trial = Command::new("setpriv");
        trial.args(ARGUMENTS).arg("true").stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        trial.status().is_ok_and(|status| status.success())
    });
    WORKS.then(|| {
        let mut command = Command::new("setpriv");
        command.args(ARGUMENTS);
        command
    })
}

#[cfg(not(target_os = "linux"))]
fn setpriv() -> Option<Command> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_program_that_is_not_there_fails_as_if_it_were_not_held() {
        let error = command(OsStr::new("no-such-program")).spawn().unwrap_err();
        assert_eq!(error.kind(), std::io::ErrorKind::NotFound);
        let error = command(OsStr::new("./no-such-program")).spawn().unwrap_err();
        assert_eq!(error.kind(), std::io::ErrorKind::NotFound);
    }

    /// The thread stands for a program that is killed. The system treats both alike.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_process_ends_with_the_thread_that_started_it() {
        assert!(setpriv().is_some(), "install util-linux, which has setpriv");
        let start = || {
            let mut command = command(OsStr::new("sh"));
            command.args(["-c", "echo begun; exec sleep 1000"]).stdout(std::process::Stdio::piped());
            let mut child = command.spawn().expect("a shell");
            let mut begun = String::new();
            let mut said = std::io::BufReader::new(child.stdout.take().expect("its output"));
            std::io::BufRead::read_line(&mut said, &mut begun).expect("a line");
            assert_eq!(begun, "begun\n");
            child
        };
        let mut child = std::thread::spawn(start).join().expect("it starts");
        let status = child.wait().expect("an end");
        assert_eq!(std::os::unix::process::ExitStatusExt::signal(&status), Some(9));
    }
}
