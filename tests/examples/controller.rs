//! A controller on this computer, to try `forewarm listen` and `forewarm send` on, or to write a page against:
//!
//! ```sh
//! cargo run -p forewarm-tests --example controller -- --port 7000
//! cargo run -p forewarm -- listen tcp:localhost:7000
//! ```
//!
//! It runs the firmware's own loop. Its bank cools towards the air of a cold room, and warms while its heater is on.
//! Lines on the standard input change its world; `help` lists them.

use forewarm::installation::Installation;
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{MAX_CHANNELS, MAX_SOURCES, Role};
use forewarm_core::signals::Sources;
use forewarm_tests::controller::{Controller, Plug, Setup, World};
use forewarm_tests::root;
use std::io::BufRead;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, AtomicI32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

const USAGE: &str = "\
controller [--port N | --pty] [--installation FILE] [--storage FILE] [--speed N]
  --port N             listen at tcp:localhost:N [default: 7000]
  --pty                open a pseudo-terminal instead
  --installation FILE  settings to build in [default: sim/demo/hut.toml]
  --storage FILE       keep what outlasts a loss of power there
  --speed N            seconds of its clock in a second [default: 1]";

const HELP: &str = "\
cells C         the bank has this temperature now (°C)
air C           the room has this temperature (°C)
channel N C     channel N shows this, until `channel N free`; `channel N broken` breaks its lead
source N on     source N is present; off: it is not
charge on       the battery's protection allows charge; off: it refuses
discharge on    the same for discharge
button on       somebody holds the reset button; off: nobody
restart         the power is cut and comes back
unplug          the service line is pulled out; plug: it is put in
noise N         one byte of N is damaged; 0 for none
help            this
end             the end; so does the end of the input, unless nothing was ever read";

fn main() -> ExitCode {
    let mut setup = Setup { plug: Plug::Socket(7000), speed: 1, storage: None };
    let mut file = root().join("sim/demo/hut.toml");
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().unwrap_or_default();
        match &*argument {
            "--pty" => setup.plug = Plug::Terminal,
            "--port" => match value().parse() {
                Ok(port) => setup.plug = Plug::Socket(port),
                Err(_) => return usage(),
            },
            "--speed" => match value().parse() {
                Ok(speed) => setup.speed = speed,
                Err(_) => return usage(),
            },
            "--installation" => file = PathBuf::from(value()),
            "--storage" => setup.storage = Some(PathBuf::from(value())),
            _ => return usage(),
        }
    }
    let installation = match Installation::load(&file) {
        Ok(installation) => installation,
        Err(error) => {
            eprintln!("{}: {error:?}", file.display());
            return ExitCode::from(1);
        }
    };
    let start = Celsius::from_millidegrees(-4_000);
    let controller = Arc::new(Controller::start(&installation.settings, World::at(start), &setup));
    println!("{}", controller.address());
    let room = Arc::new(Room::new(start));
    let is_over = Arc::new(AtomicBool::new(false));
    let roles: Vec<Role> = installation.settings.channels.iter().map(|channel| channel.role).collect();
    let weather = {
        let (controller, room, is_over) = (Arc::clone(&controller), Arc::clone(&room), Arc::clone(&is_over));
        std::thread::spawn(move || {
            while !is_over.load(Ordering::Relaxed) {
                std::thread::sleep(Duration::from_millis(100));
                room.pass(0.1 * f64::from(setup.speed), &controller, &roles);
            }
        })
    };
    let mut was_told = false;
    for line in std::io::stdin().lock().lines() {
        let Ok(line) = line else { break };
        was_told = true;
        if line.trim() == "end" {
            break;
        }
        if obey(&line, &controller, &room).is_none() {
            println!("{HELP}");
        }
    }
    // Started without an input, as in the background, it goes on until it is ended.
    if !was_told {
        loop {
            std::thread::park();
        }
    }
    is_over.store(true, Ordering::Relaxed);
    let _ = weather.join();
    ExitCode::SUCCESS
}

fn usage() -> ExitCode {
    eprintln!("{USAGE}");
    ExitCode::from(2)
}

/// What is done to a channel by hand.
#[derive(Clone, Copy)]
enum Hand {
    Off,
    Broken,
    At(Celsius),
}

/// The room, and what is set by hand.
struct Room {
    /// Of the cells, and of the plate above them.
    warm: Mutex<(f64, f64)>,
    air_mc: AtomicI32,
    set: Mutex<[Hand; MAX_CHANNELS]>,
}

impl Room {
    fn new(start: Celsius) -> Self {
        Self {
            warm: Mutex::new((f64::from(start.as_millidegrees()) / 1000.0, 0.0)),
            air_mc: AtomicI32::new(-8_000),
            set: Mutex::new([Hand::Off; MAX_CHANNELS]),
        }
    }

    /// Some seconds go by. The bank's figures are those of a small one in a poor box, so that something happens soon.
    fn pass(&self, seconds: f64, controller: &Controller, roles: &[Role]) {
        let air_c = f64::from(self.air_mc.load(Ordering::Relaxed)) / 1000.0;
        let heats = f64::from(u8::from(controller.heats()));
        let mut warm = self.warm.lock().unwrap_or_else(PoisonError::into_inner);
        let (cells_c, above_k) = &mut *warm;
        *cells_c += seconds * (heats * 20.0 - (*cells_c - air_c) * 0.6) / 3600.0;
        // A plate takes some minutes, whatever the clock's speed.
        *above_k += (heats * 12.0 - *above_k) * (1.0 - (-seconds / 400.0).exp());
        let set = *self.set.lock().unwrap_or_else(PoisonError::into_inner);
        let place = |role: Role| match role {
            Role::Cell | Role::Check(_) => *cells_c,
            Role::Pad => *cells_c + *above_k,
            Role::Ambient => f64::midpoint(*cells_c, air_c),
        };
        controller.change(|world| {
            for ((shown, role), set) in world.temperatures.iter_mut().zip(roles).zip(set) {
                *shown = match set {
                    Hand::Off => Some(celsius(place(*role))),
                    Hand::Broken => None,
                    Hand::At(t) => Some(t),
                };
            }
        });
    }
}

#[expect(clippy::cast_possible_truncation, reason = "held within what a thermometer can be asked")]
fn celsius(t: f64) -> Celsius {
    Celsius::from_millidegrees((t.clamp(-59.0, 149.0) * 1000.0) as i32)
}

/// Does what a line says. Nothing if nobody knows what that is.
fn obey(line: &str, controller: &Controller, room: &Room) -> Option<()> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let degrees = |word: &str| word.parse().ok().map(celsius);
    let switch = |word: &str| match word {
        "on" => Some(true),
        "off" => Some(false),
        _ => None,
    };
    match *words {
        ["cells", word] => {
            room.warm.lock().unwrap_or_else(PoisonError::into_inner).0 = word.parse().ok()?;
        }
        ["air", word] => room.air_mc.store(degrees(word)?.as_millidegrees(), Ordering::Relaxed),
        ["channel", number, word] => {
            let index = number.parse::<usize>().ok()?.checked_sub(1)?;
            let mut set = room.set.lock().unwrap_or_else(PoisonError::into_inner);
            *set.get_mut(index)? = match word {
                "free" => Hand::Off,
                "broken" => Hand::Broken,
                word => Hand::At(degrees(word)?),
            };
        }
        ["source", number, word] => {
            let index = number.parse::<usize>().ok()?.checked_sub(1).filter(|&index| index < MAX_SOURCES)?;
            let is_on = switch(word)?;
            controller.change(|world| {
                let only = Sources::NONE.with(index);
                world.sources = if is_on { world.sources.or(only) } else { world.sources.without(only) };
            });
        }
        ["charge", word] => {
            let is_on = switch(word)?;
            controller.change(|world| world.allows_charge = is_on);
        }
        ["discharge", word] => {
            let is_on = switch(word)?;
            controller.change(|world| world.allows_discharge = is_on);
        }
        ["button", word] => {
            let is_on = switch(word)?;
            controller.change(|world| world.holds_button = is_on);
        }
        ["restart"] => controller.cut_power(),
        ["unplug"] => controller.unplug(),
        ["plug"] => controller.plug(),
        ["noise", word] => controller.make_noise(word.parse().ok()?),
        [] => {}
        _ => return None,
    }
    Some(())
}
