//! What a latency summary with its bootstrap costs: 40 and 200 movements, by the radio's beat; 500 (limit 0.1 s) and
//! 10,000 (limit 1 s).

#[path = "../tests/simulated_link/mod.rs"]
mod simulated_link;

use criterion::{Criterion, criterion_group, criterion_main};
use simulated_link::{Scenario, play};

fn summaries(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("latency summary");
    group.sample_size(10);
    for movements in [40, 200, 500, 10_000] {
        let session = play(&Scenario { movements, ..Scenario::new(1, 25.0) });
        group.bench_function(format!("{movements} movements"), |bencher| bencher.iter(|| session.summary()));
    }
    group.finish();
}

criterion_group!(benches, summaries);
criterion_main!(benches);
