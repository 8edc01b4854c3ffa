//! The log: `defmt` frames on their own serial line.

#![expect(
    unsafe_code,
    reason = "a logger promises to be used by one at a time, and keeps that promise by a critical section"
)]

use crate::uart::Uart;
use core::cell::RefCell;
use critical_section::{Mutex, RestoreState};

struct State {
    encoder: defmt::Encoder,
    restore: RestoreState,
}

static STATE: Mutex<RefCell<Option<State>>> = Mutex::new(RefCell::new(None));

fn send(bytes: &[u8]) {
    Uart::new(1).send(bytes);
}

#[defmt::global_logger]
struct Logger;

// SAFETY: interrupts are off from `acquire` to `release`, so nothing else writes in between.
unsafe impl defmt::Logger for Logger {
    fn acquire() {
        // SAFETY: given back in `release`, which follows.
        let restore = unsafe { critical_section::acquire() };
        let mut encoder = defmt::Encoder::new();
        encoder.start_frame(send);
        critical_section::with(|token| STATE.borrow(token).replace(Some(State { encoder, restore })));
    }

    unsafe fn flush() {}

    unsafe fn release() {
        let state = critical_section::with(|token| STATE.borrow(token).take());
        if let Some(State { mut encoder, restore }) = state {
            encoder.end_frame(send);
            // SAFETY: taken in `acquire`.
            unsafe { critical_section::release(restore) };
        }
    }

    unsafe fn write(bytes: &[u8]) {
        critical_section::with(|token| {
            if let Some(state) = STATE.borrow(token).borrow_mut().as_mut() {
                state.encoder.write(bytes, send);
            }
        });
    }
}
