use super::testing::scenario;
use super::*;
use std::sync::atomic::AtomicBool;

#[test]
fn season() {
    let scenario = scenario(180);
    for pace in [Pace::Leaping, Pace::EveryStep] {
        let start = std::time::Instant::now();
        let outcome = play(&scenario, &Variation::default(), pace, &mut (), &AtomicBool::new(false));
        println!("{pace:?} {:?} {outcome:#?}", start.elapsed());
        let b = outcome.balance;
        println!("balance {:e}", (b.put_in_j - b.lost_j - b.held_j) / b.turned_over_j);
    }
}
