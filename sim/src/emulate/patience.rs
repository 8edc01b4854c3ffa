//! How long an answer may take.
//!
//! The emulator's clock counts instructions, so a busy machine makes it late but never makes it hang. Patience is
//! counted in the same way, in processor time that the emulator itself has had. The wall clock counts only while the
//! emulator computes nothing.

use std::time::{Duration, Instant};

/// Time between two looks at the emulator's progress.
const LOOK: Duration = Duration::from_millis(250);

/// How long an answer may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    limit: Duration,
    /// The process whose processor time counts. `None` if the wall clock counts.
    process: Option<u32>,
}

impl Patience {
    /// A limit on the wall clock.
    #[must_use]
    pub const fn by_the_clock(limit: Duration) -> Self {
        Self { limit, process: None }
    }

    /// Until the process of that number has computed for `limit`, or has stood still for as long. If a
    /// system does not report how long a process has computed, the wall clock counts.
    #[must_use]
    pub const fn with_process(number: u32, limit: Duration) -> Self {
        Self { limit, process: Some(number) }
    }

    /// The limit.
    #[must_use]
    pub const fn limit(self) -> Duration {
        self.limit
    }

    /// Starts to wait.
    #[must_use]
    pub fn begin(self) -> Wait {
        Wait { patience: self, since: Instant::now(), progress: None }
    }
}

/// A wait in progress.
#[derive(Debug)]
pub struct Wait {
    patience: Patience,
    since: Instant,
    progress: Option<Progress>,
}

/// How far the process had come.
#[derive(Debug)]
struct Progress {
    at_first: Duration,
    latest: Duration,
    /// When it was last seen computing.
    seen: Instant,
}

impl Wait {
    /// How long to listen before the next check whether the wait is over.
    pub(super) fn turn(&self) -> Duration {
        self.patience.limit.min(LOOK)
    }

    /// Whether the limit has passed.
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

/// How long a process has computed, in all its threads. Source: proc(5), /proc/PID/stat, fields utime and stime.
#[cfg(target_os = "linux")]
fn computed(process: u32) -> Option<Duration> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The second field is a name in brackets. It may hold anything.
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

    /// Time until the wait is over.
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
