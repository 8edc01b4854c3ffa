//! Starts threads, and reports a thread that cannot be started.

use crate::diagnostic::Problem;
#[cfg(not(target_family = "wasm"))]
use rayon::{ThreadPool, ThreadPoolBuilder};
use std::fmt::Display;
use std::io;
use std::num::NonZero;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::{self, Builder, available_parallelism};

/// A builder for a thread. Its name shows in a list of the process's threads.
pub fn named(name: &str) -> Builder {
    Builder::new().name(name.to_owned())
}

/// A thread for each processor. In a browser, the one that is there does all the work.
pub struct Pool(#[cfg(not(target_family = "wasm"))] ThreadPool);

impl Pool {
    /// Does `work`, whose parallel parts every thread takes a share of.
    pub fn install<R: Send>(&self, work: impl FnOnce() -> R + Send) -> R {
        #[cfg(not(target_family = "wasm"))]
        return self.0.install(work);
        #[cfg(target_family = "wasm")]
        work()
    }
}

/// Starts a thread for each processor.
///
/// # Errors
/// Where one of them cannot be started; nothing else fails.
pub fn pool() -> Result<Pool, Problem> {
    #[cfg(not(target_family = "wasm"))]
    return ThreadPoolBuilder::new().build().map(Pool).map_err(|error| refused(&error));
    #[cfg(target_family = "wasm")]
    Ok(Pool())
}

/// Does `work` on each of `jobs`, as many at a time as there are processors, and returns the results in their order. Where
/// no thread can be started, it does all of it here.
pub(crate) fn side_by_side<J: Sync, R: Send>(jobs: &[J], work: impl Fn(&J) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let take = || -> Vec<(usize, R)> {
        let indices = std::iter::repeat_with(|| next.fetch_add(1, Ordering::Relaxed));
        indices.map_while(|index| Some((index, work(jobs.get(index)?)))).collect()
    };
    let others = available_parallelism().map_or(1, NonZero::get).min(jobs.len()).saturating_sub(1);
    let mut done = thread::scope(|scope| {
        let started: Vec<_> = (0..others).map_while(|_| named("plant").spawn_scoped(scope, take).ok()).collect();
        let mut done = take();
        for thread in started {
            done.extend(thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        }
        done
    });
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}

/// The problem of a thread that could not be started.
#[must_use]
pub fn not_started(error: &io::Error) -> Problem {
    refused(error)
}

fn refused(error: &dyn Display) -> Problem {
    Problem::error("system", format!("cannot start a thread for this command: {error}"))
        .of_use()
        .because("a limit on processes or on memory has been reached")
        .remedy("raise the limit (`ulimit -u` for processes, `ulimit -v` for memory), or end other programs")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_of_their_jobs() {
        let jobs: Vec<u64> = (0..1000).collect();
        let squares: Vec<u64> = jobs.iter().map(|job| job * job).collect();
        assert_eq!(side_by_side(&jobs, |job| job * job), squares);
        assert!(side_by_side(&[], |job: &u64| *job).is_empty());
    }
}
