//! Several files at once, with results in the order of the files.

use std::num::NonZero;
use std::sync::mpsc::sync_channel;

/// Does the work of each item on as many threads as there are cores, and takes the results in order.
/// At most twice as many results as threads wait to be taken.
pub(super) fn in_order<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    take: &mut dyn FnMut(usize, R) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let threads = std::thread::available_parallelism().map_or(1, NonZero::get).min(items.len());
    if threads < 2 {
        return items.iter().enumerate().try_for_each(|(index, item)| take(index, work(item)));
    }
    std::thread::scope(|scope| {
        let work = &work;
        // Each thread has its own channel and every so many-th item, so that order needs no bookkeeping.
        let results: Vec<_> = (0..threads)
            .map(|first| {
                let (sender, receiver) = sync_channel(1);
                scope.spawn(move || {
                    for item in items.iter().skip(first).step_by(threads) {
                        // Nobody takes any more: printing failed.
                        if sender.send(work(item)).is_err() {
                            return;
                        }
                    }
                });
                receiver
            })
            .collect();
        for index in 0..items.len() {
            // A thread that ended early panicked; the scope passes its panic on.
            let Ok(result) = results[index % threads].recv() else { break };
            take(index, result)?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use crate::run::in_order::*;

    /// The order is that of the list, however long each takes; nothing is left out.
    #[test]
    fn results_come_in_order() {
        for count in [0, 1, 2, 7, 40] {
            let items: Vec<u64> = (0..count).collect();
            let mut taken = Vec::new();
            // Earlier ones take longer.
            let work =
                |item: &u64| (0..(40 - item) * 1000).map(std::hint::black_box).fold(*item, |kept, _| kept);
            in_order(&items, work, &mut |index, result| {
                taken.push((index as u64, result));
                Ok(())
            })
            .unwrap();
            assert_eq!(taken, items.iter().map(|&item| (item, item)).collect::<Vec<_>>());
        }
    }

    #[test]
    fn a_failure_to_print_ends_it() {
        let items = [1, 2, 3, 4, 5, 6];
        let failed = in_order(&items, |item| *item, &mut |_, _| anyhow::bail!("no room"));
        assert!(failed.is_err());
    }
}
