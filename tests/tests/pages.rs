//! temp
use forewarm_tests::seasons::season;
use jiff::civil::datetime;
#[test]
fn w() {
    let out = std::path::Path::new("/tmp/helpers/d-out");
    let start = datetime(2026, 10, 15, 0, 0, 0, 0);
    let a = season("Hut above the harbour: 25 mm of insulation", start, 180 * 86400, 600, 2.0);
    let b = season("Hut above the harbour: 50 mm of insulation", start, 180 * 86400, 600, 1.0);
    let h = season("One hour", datetime(2027, 1, 14, 11, 7, 0, 0), 3600, 60, 2.0);
    let y = season("A year", start, 366 * 86400, 790, 2.0);
    let w = |n: &str, s: &[forewarm::chart::Season]| {
        let p = forewarm::chart::page(s, "Summary\n  x  1\n", &forewarm::cautions::CAUTIONS);
        println!("{n} {}", p.len());
        std::fs::write(out.join(n), p).unwrap();
    };
    std::fs::write(out.join("season.svg"), forewarm::chart::drawing(&a)).unwrap();
    w("one.html", &[a.clone()]);
    w("two.html", &[a, b]);
    w("hour.html", &[h]);
    w("year.html", &[y]);
}
