//! Signals that end the command, which is to leave no half-written file and no process behind.

use forewarm::diagnostic::Problem;
#[cfg(unix)]
use forewarm::threads;
#[cfg(unix)]
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

#[cfg(unix)]
use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM, SIGXFSZ};

/// From here on, an interrupt from the keyboard, a request to end or a lost terminal ends the command as it would any other,
/// once its unfinished files and the processes it has started are gone.
///
/// A signal that whoever started the command had ignored, as `nohup` does, stays ignored.
///
/// For commands that write files or start processes: it takes a thread, which the others do without.
///
/// # Errors
/// Where that thread cannot be started.
#[cfg(unix)]
pub(crate) fn watch() -> Result<(), Problem> {
    let heeded = [SIGINT, SIGTERM, SIGHUP, SIGQUIT].into_iter().filter(|&signal| !is_ignored(signal));
    // Where no handler can be set, the signals end the command as ever.
    let Ok(mut signals) = signal_hook::iterator::Signals::new(heeded) else { return Ok(()) };
    // Its own size of stack: it does next to nothing, and is to start where little memory is left.
    let watcher = threads::named("signals").stack_size(WATCHER_STACK_BYTES);
    let started = watcher.spawn(move || {
        for signal in signals.forever() {
            // The first asks work that can be cut short to come to an end; the second does not ask, nor does the key for an end
            // at once.
            if signal != SIGQUIT && HEEDED.load(Ordering::Relaxed) && !STOP.swap(true, Ordering::Relaxed) {
                continue;
            }
            forewarm::output::discard_unfinished();
            forewarm::emulate::machine::switch_all_off();
            // By the signal itself, so that a script sees why. That does not return.
            let _ = signal_hook::low_level::emulate_default_handler(signal);
            std::process::exit(128 + signal);
        }
    });
    started.map(drop).map_err(|error| threads::not_started(&error))
}

/// Several times what removing a file takes. Common practice, no source.
#[cfg(unix)]
const WATCHER_STACK_BYTES: usize = 256 << 10;

/// From here on, a write beyond the largest file that is allowed fails as on a full disk, with a message, and what is unfinished
/// is removed as ever; the signal would end the command in the middle of it. Takes no thread.
#[cfg(unix)]
pub(crate) fn outlive_large_files() {
    // Where no handler can be set, the signal ends the command as ever.
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

/// From here on, the first signal only sets what is returned: whoever calls this looks at it often, and tells what was finished.
pub(crate) fn heed() -> &'static AtomicBool {
    HEEDED.store(true, Ordering::Relaxed);
    &STOP
}

/// Whether the signal was being ignored when the command started. Only Linux tells a program without unsafe code.
#[cfg(unix)]
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| u64::from_str_radix(line.strip_prefix("SigIgn:")?.trim(), 16).ok());
    mask.is_some_and(|mask| mask >> (signal - 1) & 1 == 1)
}
