use super::*;

fn csv(name: &str) -> Vec<Vec<String>> {
    let path = format!("{}/../tests/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

/// Two and three nodes. Source: `conduction_rc_networks.csv`, which says how it was computed.
#[test]
fn small_networks_follow_the_matrix_exponential_within_a_microkelvin() {
    let mut two = Network::default();
    let nodes = [5000.0, 30_000.0].map(|c| two.add(c));
    two.link(nodes[0], nodes[1], 4.0);
    two.edge(nodes[0], Boundary::Outside, 0.5);
    two.edge(nodes[1], Boundary::Outside, 1.5);
    let mut three = Network::default();
    let nodes = [800.0, 24_000.0, 9000.0].map(|c| three.add(c));
    three.link(nodes[0], nodes[1], 6.0);
    three.link(nodes[1], nodes[2], 2.5);
    three.edge(nodes[2], Boundary::Outside, 1.2);
    let mut worst: f64 = 0.0;
    let mut checked = 0;
    for row in csv("conduction_rc_networks.csv").iter().skip(1) {
        let (network, start, heat, outside): (_, &[f64], &[f64], _) = match &*row[0] {
            "two_node_heating" => (&two, &[-20.0, -20.0], &[60.0, 0.0], -20.0),
            "two_node_cooling" => (&two, &[15.0, 10.0], &[0.0, 0.0], -20.0),
            "three_node_heating" => (&three, &[-5.0, -5.0, -15.0], &[45.0, 0.0, 0.0], -25.0),
            "three_node_cooling" => (&three, &[20.0, 8.0, 0.0], &[0.0; 3], -25.0),
            other => panic!("unknown case {other}"),
        };
        let found = if row[1] == "inf" {
            network.steady(heat, outside, 0.0).unwrap()
        } else {
            network.after(start, heat, [outside, 0.0], row[1].parse().unwrap())
        };
        for (found, expected) in found.iter().zip(&row[2..]) {
            worst = worst.max((found - expected.parse::<f64>().unwrap()).abs());
            checked += 1;
        }
    }
    assert!(checked >= 100, "{checked}");
    assert!(worst < 1e-6, "{worst}");
    println!("rc worst {worst:e}");
}
