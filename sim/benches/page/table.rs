//! Times things in rounds, and prints what came of it.

use std::fmt::Write;

/// Something to be timed: it says how long it took (s), or why that is not known.
type Task<'a> = Box<dyn FnMut() -> Result<f64, String> + 'a>;

/// Things that are timed, and the rows that speak of them.
#[derive(Default)]
pub(crate) struct Page<'a> {
    tasks: Vec<Task<'a>>,
    rows: Vec<[Piece; 2]>,
}

/// One of the things that are timed.
#[derive(Clone, Copy)]
pub(crate) struct Timed(usize);

/// A thing as a row speaks of it.
#[derive(Clone)]
pub(crate) struct Piece {
    name: String,
    of: Timed,
    times: f64,
}

impl Piece {
    pub(crate) fn new(name: impl Into<String>, of: Timed) -> Self {
        Self { name: name.into(), of, times: 1.0 }
    }

    /// So many of what was timed.
    pub(crate) fn times(self, times: f64) -> Self {
        Self { times, ..self }
    }

    fn seconds<'m>(&self, medians: &'m [Result<f64, String>]) -> Result<f64, &'m str> {
        medians[self.of.0].as_ref().map(|seconds| seconds * self.times).map_err(String::as_str)
    }
}

impl<'a> Page<'a> {
    /// Adds something to be timed.
    pub(crate) fn time(&mut self, task: impl FnMut() -> Result<f64, String> + 'a) -> Timed {
        self.tasks.push(Box::new(task));
        Timed(self.tasks.len() - 1)
    }

    /// Adds a row that compares one thing with its baseline.
    pub(crate) fn row(&mut self, what: Piece, baseline: Piece) {
        self.rows.push([what, baseline]);
    }

    /// Times everything, and writes the page.
    pub(crate) fn run(mut self, rounds: usize) -> String {
        let mut all: Vec<Vec<Result<f64, String>>> = vec![Vec::new(); self.tasks.len()];
        for round in 1..=rounds {
            eprintln!("round {round} of {rounds}");
            for (found, task) in all.iter_mut().zip(&mut self.tasks) {
                // What could not be timed once will not be later.
                if found.iter().all(Result::is_ok) {
                    found.push(task());
                }
            }
        }
        let medians: Vec<_> = all.into_iter().map(median).collect();
        let widths = [0, 1].map(|side| self.rows.iter().map(|row| row[side].name.chars().count()).max().unwrap_or(0));
        let processors = std::thread::available_parallelism().map_or(1, usize::from);
        let [what_width, base_width] = widths;
        let mut page = format!(
            "Rounds: {rounds}, medians shown. Processors: {processors}.\n\
             The ratio is the time of the baseline by that of the thing: above 1 the thing is faster.\n\n\
             {:<what_width$} {:>8}  {:<base_width$} {:>8} {:>6}\n",
            "thing", "time", "baseline", "time", "ratio",
        );
        for [what, baseline] in &self.rows {
            write!(page, "{:<what_width$} ", what.name).expect("memory");
            let line = match (what.seconds(&medians), baseline.seconds(&medians)) {
                (Ok(time), Ok(base)) => {
                    let [ratio, time, base] = [three_digits(base / time), shown(time), shown(base)];
                    format!("{time:>8}  {:<base_width$} {base:>8} {ratio:>6}", baseline.name)
                }
                (Ok(time), Err(why)) => format!("{:>8}  {:<base_width$} {why}", shown(time), baseline.name),
                (Err(why), _) => why.to_owned(),
            };
            writeln!(page, "{line}").expect("memory");
        }
        page
    }
}

fn median(all: Vec<Result<f64, String>>) -> Result<f64, String> {
    let mut all = all.into_iter().collect::<Result<Vec<f64>, String>>()?;
    all.sort_by(f64::total_cmp);
    let upper = all[all.len() / 2];
    Ok(if all.len() % 2 == 0 { f64::midpoint(all[all.len() / 2 - 1], upper) } else { upper })
}

/// Three digits and a unit.
fn shown(seconds: f64) -> String {
    let (value, unit) = match seconds {
        s if s >= 3600.0 => (s / 3600.0, "h "),
        s if s >= 1.0 => (s, "s "),
        s if s >= 1e-3 => (s * 1e3, "ms"),
        s if s >= 1e-6 => (s * 1e6, "µs"),
        s => (s * 1e9, "ns"),
    };
    format!("{} {unit}", three_digits(value))
}

fn three_digits(value: f64) -> String {
    let decimals = if value >= 100.0 { 0 } else { 1 + usize::from(value < 10.0) };
    format!("{value:.decimals$}")
}
