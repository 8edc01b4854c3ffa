//! The parts of the controller's board, except line and storage.

use super::Shared;
use super::line::Serial;
use super::storage::Storage;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorKind, ErrorType, InputPin, OutputPin};
use forewarm_core::quantity::{Fraction, Instant, Kelvins, Millivolts, Ohms};
use forewarm_core::settings::{MAX_CHANNELS, Settings};
use forewarm_core::signals::Sample;
use forewarm_core::testing::{sample, shown};
use forewarm_core::wire::service::Misfit;
use forewarm_firmware::board::{
    Board, Clock, Hardware, InputPins, Meters, NotWired, OutputPins, Thermometers, Watchdog,
};
use std::panic::resume_unwind;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant as Moment};

/// The panic that ends a run of the firmware: a reset, a cut of power, or the end of it all.
pub(super) struct Stopped;

/// Time between two steps of the firmware (ms).
const STEP_MS: u32 = 1000;

/// What a board is built from.
pub(super) struct Bench {
    pub(super) shared: Arc<Shared>,
    pub(super) settings: Settings,
    pub(super) speed: u32,
}

/// The board.
pub(super) struct Desk;

impl Board for Desk {
    const NAME: &'static str = "desk";

    type Output = Output;
    type Full = NotWired;
    type Ceiling = NotWired;
    type Lines = InputPins<Input>;
    type Thermometers = Chips;
    type Meters = Part;
    type Delay = Part;
    type Clock = Ticks;
    type Watchdog = Part;
    type Display = ();
    type Serial = Serial;
    type Storage = Storage;

    fn suits(_: &Settings) -> Result<(), Misfit> {
        // Its converters are words in memory, so any do.
        Ok(())
    }
}

impl Bench {
    pub(super) fn storage(&self) -> Storage {
        Storage(Arc::clone(&self.shared))
    }

    pub(super) fn hardware(&self) -> Hardware<Desk> {
        let shared = || Arc::clone(&self.shared);
        let output = |pin| Output { shared: shared(), pin };
        let input = |wire| Input { shared: shared(), wire };
        Hardware {
            outputs: OutputPins {
                heater: output(Pin::Heater),
                charge: output(Pin::Charge),
                full: NotWired,
                ceiling: NotWired,
                alarm: output(Pin::Other),
                lamp: output(Pin::Other),
            },
            lines: InputPins {
                sources: std::array::from_fn(|index| input(Wire::Source(index))),
                charge_line: input(Wire::ChargeLine),
                discharge_line: input(Wire::DischargeLine),
                heater_feedback: input(Wire::NotFitted),
                charge_feedback: input(Wire::NotFitted),
                button: input(Wire::Button),
            },
            thermometers: Chips { shared: shared(), settings: self.settings.clone() },
            meters: Part(shared()),
            delay: Part(shared()),
            clock: Ticks {
                shared: shared(),
                now_ms: 0,
                due: Moment::now(),
                step: Duration::from_millis(STEP_MS.into()) / self.speed.max(1),
            },
            watchdog: Part(shared()),
            display: (),
            serial: Serial(shared()),
        }
    }
}

#[derive(Clone, Copy)]
enum Pin {
    Heater,
    Charge,
    Other,
}

pub(super) struct Output {
    shared: Arc<Shared>,
    pin: Pin,
}

impl Output {
    fn put(&self, is_high: bool) {
        match self.pin {
            Pin::Heater => self.shared.heats.store(is_high, Ordering::Relaxed),
            Pin::Charge => self.shared.permits.store(is_high, Ordering::Relaxed),
            Pin::Other => {}
        }
    }
}

impl ErrorType for Output {
    type Error = ErrorKind;
}

impl OutputPin for Output {
    fn set_low(&mut self) -> Result<(), ErrorKind> {
        self.put(false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), ErrorKind> {
        self.put(true);
        Ok(())
    }
}

#[derive(Clone, Copy)]
enum Wire {
    Source(usize),
    ChargeLine,
    DischargeLine,
    Button,
    NotFitted,
}

pub(super) struct Input {
    shared: Arc<Shared>,
    wire: Wire,
}

impl ErrorType for Input {
    type Error = ErrorKind;
}

impl InputPin for Input {
    fn is_high(&mut self) -> Result<bool, ErrorKind> {
        let world = *self.shared.world();
        match self.wire {
            Wire::Source(index) => Ok(world.sources.contains(index)),
            Wire::ChargeLine => Ok(world.allows_charge),
            Wire::DischargeLine => Ok(world.allows_discharge),
            Wire::Button => Ok(world.holds_button),
            Wire::NotFitted => Err(ErrorKind::Other),
        }
    }

    fn is_low(&mut self) -> Result<bool, ErrorKind> {
        self.is_high().map(|is_high| !is_high)
    }
}

/// Chips that give ratios themselves. They go by the settings that were built in.
pub(super) struct Chips {
    shared: Arc<Shared>,
    settings: Settings,
}

impl Thermometers for Chips {
    fn measure(&mut self, _: &[bool], _: &mut impl DelayNs, mut meanwhile: impl FnMut()) -> [Sample; MAX_CHANNELS] {
        meanwhile();
        let temperatures = self.shared.world().temperatures;
        // A converter that repeats itself to the last digit counts as stuck.
        let noise =
            Kelvins::from_millikelvins(i32::try_from(self.shared.steps.load(Ordering::Relaxed) % 3).unwrap_or(0));
        let mut samples = [Sample::None; MAX_CHANNELS];
        for ((sampled, channel), t) in samples.iter_mut().zip(&self.settings.channels).zip(temperatures) {
            // A broken lead measures more than any platinum has.
            *sampled = t.map_or_else(|| shown(channel, Ohms::MAX), |t| sample(channel, t.raised(noise)));
        }
        samples
    }
}

/// Any other part.
pub(super) struct Part(Arc<Shared>);

impl Meters for Part {
    fn supply(&mut self) -> Option<Millivolts> {
        self.0.world().supply
    }

    fn bank(&mut self) -> Option<Millivolts> {
        self.0.world().bank
    }

    fn state_of_charge(&mut self) -> Option<Fraction> {
        self.0.world().state_of_charge
    }
}

impl DelayNs for Part {
    fn delay_ns(&mut self, _: u32) {}
}

impl Watchdog for Part {
    fn feed(&mut self) {
        self.0.steps.fetch_add(1, Ordering::Relaxed);
    }

    fn restart(&mut self) -> ! {
        resume_unwind(Box::new(Stopped))
    }
}

/// Time that goes by in steps.
pub(super) struct Ticks {
    shared: Arc<Shared>,
    now_ms: u32,
    /// When the next step is due, on the computer's clock.
    due: Moment,
    step: Duration,
}

impl Clock for Ticks {
    fn now(&mut self) -> Instant {
        Instant::from_millis(self.now_ms)
    }

    fn is_step_due(&mut self) -> bool {
        if self.shared.is_over.load(Ordering::Relaxed) || self.shared.is_cut.swap(false, Ordering::Relaxed) {
            resume_unwind(Box::new(Stopped));
        }
        let now = Moment::now();
        if now < self.due {
            // Short enough to hear a request soon.
            std::thread::sleep((self.due - now).min(Duration::from_millis(1)));
            return false;
        }
        self.due = (self.due + self.step).max(now);
        self.now_ms = self.now_ms.wrapping_add(STEP_MS);
        true
    }
}
