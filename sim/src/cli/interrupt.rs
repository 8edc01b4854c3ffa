//! Signals that end the command. The command must leave no half-written file and no process behind.

use forewarm::diagnostic::Problem;
#[cfg(unix)]
use forewarm::threads;
#[cfg(unix)]
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

#[cfg(unix)]
use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM, SIGXFSZ};

/// Catches an interrupt from the keyboard, a request to end and a lost terminal. They still end the command, but only
/// after it has removed its unfinished files and ended the processes it started.
///
/// A signal stays ignored if it was ignored when the command started, as under `nohup`.
///
/// This is for commands that write files or start processes. It takes a thread, which the other commands do without.
///
/// # Errors
/// That thread cannot be started.
#[cfg(unix)]
pub(crate) fn watch() -> Result<(), Problem> {
    let heeded = [SIGINT, SIGTERM, SIGHUP, SIGQUIT].into_iter().filter(|&signal| !is_ignored(signal));
    // Where no handler can be set, the signals end the command as usual.
    let Ok(mut signals) = signal_hook::iterator::Signals::new(heeded) else { return Ok(()) };
    // The thread has a stack size of its own: it does very little, and must start where little memory is left.
    let watcher = threads::named("signals").stack_size(WATCHER_STACK_BYTES);
    let started = watcher.spawn(move || {
        for signal in signals.forever() {
            // The first signal asks work that can be cut short to end. The second ends it at once, and so does SIGQUIT.
            if signal != SIGQUIT && HEEDED.load(Ordering::Relaxed) && !STOP.swap(true, Ordering::Relaxed) {
                continue;
            }
            forewarm::output::discard_unfinished();
            forewarm::emulate::machine::switch_all_off();
            // The command ends by the signal itself, so that a script sees why. This call does not return.
            let _ = signal_hook::low_level::emulate_default_handler(signal);
            std::process::exit(128 + signal);
        }
    });
    started.map(drop).map_err(|error| threads::not_started(&error))
}

/// Several times what it takes to remove a file. Common practice, no source.
#[cfg(unix)]
const WATCHER_STACK_BYTES: usize = 256 << 10;

/// Makes a write beyond the largest allowed file fail as on a full disk. The command then prints a message and removes
/// unfinished files as usual. The signal would end the command in the middle of the write. This takes no thread.
#[cfg(unix)]
pub(crate) fn outlive_large_files() {
    // Where no handler can be set, the signal ends the command as usual.
    let _ = signal_hook::flag::register(SIGXFSZ, Arc::new(AtomicBool::new(false)));
}

#[cfg(not(unix))]
pub(crate) fn outlive_large_files() {}

#[cfg(not(unix))]
pub(crate) fn watch() -> Result<(), Problem> {
    Ok(())
}

/// Set once the command has been asked to end.
static STOP: AtomicBool = AtomicBool::new(false);
/// Whether someone looks at it.
static HEEDED: AtomicBool = AtomicBool::new(false);

/// Makes the first signal only set the flag that is returned. The caller looks at the flag often, and prints what was
/// finished.
pub(crate) fn heed() -> &'static AtomicBool {
    HEEDED.store(true, Ordering::Relaxed);
    &STOP
}

/// Whether the signal was ignored when the command started. Only Linux shows this to a program without unsafe code.
#[cfg(unix)]
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| u64::from_str_radix(line.strip_prefix("SigIgn:")?.trim(), 16).ok());
    mask.is_some_and(|mask| mask >> (signal - 1) & 1 == 1)
}
