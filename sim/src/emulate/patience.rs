//! How long an answer may take.
//!
//! The emulator's clock counts instructions, so a busy machine makes it late but never makes it hang. Its patience is counted likewise:
//! in processor time that the emulator itself has had. The clock on the wall counts only while the emulator computes nothing at all.

use std::time::{Duration, Instant};

/// Between two looks at how far the emulator has come.
const LOOK: Duration = Duration::from_millis(250);

/// How long an answer may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    limit: Duration,
    /// Whose processor time counts, by its number; nobody's where the clock on the wall does.
    process: Option<u32>,
}

impl Patience {
    /// So long by the clock on the wall.
    #[must_use]
    pub const fn by_the_clock(limit: Duration) -> Self {
        Self { limit, process: None }
    }

    /// As long as the process of that number has computed for less than `limit`, and has not stood still for as long. Where a
    /// system does not say how long a process has computed, the clock on the wall counts.
    #[must_use]
    pub const fn with_process(number: u32, limit: Duration) -> Self {
        Self { limit, process: Some(number) }
    }

    /// The limit.
    #[must_use]
    pub const fn limit(self) -> Duration {
        self.limit
    }

    /// Begins to wait.
    #[must_use]
    pub fn begin(self) -> Wait {
        Wait { patience: self, since: Instant::now(), progress: None }
    }
}

/// A wait that has begun.
#[derive(Debug)]
pub struct Wait {
    patience: Patience,
    since: Instant,
    progress: Option<Progress>,
}

/// How long the process had computed.
#[derive(Debug)]
struct Progress {
    at_first: Duration,
    latest: Duration,
    /// When it was last seen to have computed.
    seen: Instant,
}

impl Wait {
    /// How long to listen before asking again whether the wait is over.
    pub(super) fn turn(&self) -> Duration {
        self.patience.limit.min(LOOK)
    }

    /// Whether it has been too long.
    pub fn is_over(&mut self) -> bool {
        let Patience { limit, process } = self.patience;
        let Some(computed) = process.and_then(computed) else { return self.since.elapsed() >= limit };
        let since = self.since;
        let progress = self.progress.get_or_insert(Progress { at_first: computed, latest: computed, seen: since });
        if computed > progress.latest {
            progress.latest = computed;
            progress.seen = Instant::now();
        }
        progress.latest.saturating_sub(progress.at_first) >= limit || progress.seen.elapsed() >= limit
    }
}

/// How long a process has computed, in all of its threads. Source: proc(5), /proc/PID/stat, fields utime and stime.
#[cfg(target_os = "linux")]
fn computed(process: u32) -> Option<Duration> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The second field is a name in brackets, and may hold anything.
    let (_, fields) = stat.rsplit_once(')')?;
    let mut times = fields.split_ascii_whitespace().skip(11).map_while(|field| field.parse::<u64>().ok());
    let ticks = times.next()?.saturating_add(times.next()?);
    Some(Duration::from_millis(ticks.saturating_mul(1000) / rustix::param::clock_ticks_per_second()))
}

#[cfg(not(target_os = "linux"))]
fn computed(_: u32) -> Option<Duration> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::process::{Child, Command};

    struct Script(Child);

    impl Script {
        fn new(script: &str) -> Self {
            Self(Command::new("sh").args(["-c", script]).spawn().expect("a shell"))
        }
    }

    impl Drop for Script {
        fn drop(&mut self) {
            let _ = self.0.kill();
            let _ = self.0.wait();
        }
    }

    /// How long it takes until the wait is over.
    fn waited(patience: Patience) -> Duration {
        let began = Instant::now();
        let mut wait = patience.begin();
        while !wait.is_over() {
            std::thread::sleep(Duration::from_millis(1));
        }
        began.elapsed()
    }

    #[test]
    fn by_the_clock_it_ends_with_the_clock() {
        let limit = Duration::from_millis(30);
        assert!(waited(Patience::by_the_clock(limit)) >= limit);
    }

    #[test]
    fn a_process_that_computes_has_its_limit_of_processor_time_and_one_that_stands_still_the_clocks() {
        let limit = Duration::from_millis(300);
        for script in ["while :; do :; done", "exec sleep 1000"] {
            let script = Script::new(script);
            assert!(waited(Patience::with_process(script.0.id(), limit)) >= limit);
        }
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn what_a_process_has_computed_is_what_the_system_says() {
        let mut busy = Script::new("i=0; while [ $i -lt 200000 ]; do i=$((i+1)); done; read wait");
        let at_first = computed(busy.0.id()).expect("a process");
        while computed(busy.0.id()).expect("a process") < at_first + Duration::from_millis(50) {
            std::thread::sleep(Duration::from_millis(1));
        }
        busy.0.kill().unwrap();
        busy.0.wait().unwrap();
        assert_eq!(computed(busy.0.id()), None, "it is gone");
    }
}
