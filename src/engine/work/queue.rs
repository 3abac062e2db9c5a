//! Jobs that all workers share: each takes the next once it is free.

use std::cmp::Reverse;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use crate::engine::store::error::EngineError;

/// Does all jobs, the longest first, so that no worker is left alone with one at the end; `length` says which those are. Each
/// worker has a state of its own from one job to the next.
///
/// # Errors
/// The first of a job; no other is begun after it.
pub fn longest_first<J: Sync, L: Ord, S>(
    mut jobs: Vec<J>,
    length: impl Fn(&J) -> L,
    state: impl Fn() -> S + Sync,
    work: impl Fn(&mut S, &J) -> Result<(), EngineError> + Sync,
) -> Result<(), EngineError> {
    jobs.sort_by_cached_key(|job| Reverse(length(job)));
    let (next, failed) = (AtomicUsize::new(0), AtomicBool::new(false));
    let results = rayon::broadcast(|_| -> Result<(), EngineError> {
        let mut state = state();
        while !failed.load(Ordering::Relaxed)
            && let Some(job) = jobs.get(next.fetch_add(1, Ordering::Relaxed))
        {
            work(&mut state, job).inspect_err(|_| failed.store(true, Ordering::Relaxed))?;
        }
        Ok(())
    });
    results.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;
    use std::sync::Mutex;

    use super::*;

    #[test]
    fn every_job_is_done_once_and_an_error_ends_them() {
        let done = Mutex::new(Vec::new());
        let jobs: Vec<u32> = (0..200).map(|i| i * 7 % 200).collect();
        let all = |job: &u32| {
            done.lock().unwrap().push(*job);
            Ok(())
        };
        longest_first(jobs.clone(), |job| *job, || (), |(), job| all(job)).unwrap();
        let mut found = done.into_inner().unwrap();
        found.sort_unstable();
        assert_eq!(found, (0..200).collect::<Vec<_>>());
        // On one worker the order shows.
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        let order = Mutex::new(Vec::new());
        let failing = |_: &mut (), job: &u32| {
            order.lock().unwrap().push(*job);
            let damaged = || EngineError::Damaged { path: PathBuf::from("spill") };
            if *job == 190 { Err(damaged()) } else { Ok(()) }
        };
        assert!(one.install(|| longest_first(jobs, |job| *job, || (), failing)).is_err());
        assert_eq!(order.into_inner().unwrap(), (190..200).rev().collect::<Vec<_>>());
    }
}
