//! One thread of the pool: takes jobs, and does them crew by crew.

use std::collections::{HashMap, VecDeque};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use embertally_core::log::LogError;
use embertally_core::sync::Refusal;

use super::Setting;
use super::crew::{Crew, say};
use super::job::Job;
use crate::ids::CrewId;

/// How often engines are told that time has passed.
const TICK: Duration = Duration::from_secs(2);

/// How many jobs of a crew are done before the next crew's turn.
const JOBS_AT_ONCE: usize = 64;

/// After how many bytes of frames it is the next crew's turn.
const BYTES_AT_ONCE: usize = 64 << 10;

/// After how much time: a message of a few kilobytes may unpack to megabytes.
const TIME_AT_ONCE: Duration = Duration::from_millis(20);

/// What a crew has had of its turn.
struct Turn {
    jobs: usize,
    bytes: usize,
    began: Instant,
}

impl Turn {
    fn new(now: Instant) -> Self {
        Self { jobs: 0, bytes: 0, began: now }
    }

    fn count(&mut self, job: &Job) {
        self.jobs += 1;
        if let Job::Frame { frame, .. } = job {
            self.bytes += frame.bytes.len();
        }
    }

    /// Tells whether the next crew has waited long enough.
    fn is_over(&self, now: Instant) -> bool {
        self.jobs >= JOBS_AT_ONCE
            || self.bytes >= BYTES_AT_ONCE
            || now.saturating_duration_since(self.began) >= TIME_AT_ONCE
    }
}

struct Worker {
    setting: Arc<Setting>,
    crews: HashMap<CrewId, Crew>,
    waiting: HashMap<CrewId, VecDeque<Job>>,
    /// Crews with jobs, in the order of their turns.
    turns: VecDeque<CrewId>,
    next_tick: Instant,
}

/// Does jobs until told to stop.
pub(super) fn run(setting: Arc<Setting>, jobs: &Receiver<Job>) {
    let mut worker = Worker {
        setting,
        crews: HashMap::new(),
        waiting: HashMap::new(),
        turns: VecDeque::new(),
        next_tick: Instant::now() + TICK,
    };
    loop {
        let wait = if worker.turns.is_empty() {
            worker.next_tick.saturating_duration_since(Instant::now())
        } else {
            Duration::ZERO
        };
        let mut next = match jobs.recv_timeout(wait) {
            Ok(job) => Some(job),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => return worker.stop(),
        };
        while let Some(job) = next {
            match job {
                // What was sent before is done first.
                Job::Stop => return worker.stop(),
                Job::Anything => worker.crews.keys().copied().collect::<Vec<_>>().into_iter().for_each(|crew| {
                    worker.line_up(crew, Job::Elsewhere { crew });
                }),
                job => {
                    if let Some(crew) = job.crew() {
                        worker.line_up(crew, job);
                    }
                }
            }
            next = jobs.try_recv().ok();
        }
        worker.turn();
        worker.tick();
    }
}

impl Worker {
    fn line_up(&mut self, crew: CrewId, job: Job) {
        let waiting = self.waiting.entry(crew).or_default();
        if waiting.is_empty() {
            self.turns.push_back(crew);
        }
        waiting.push_back(job);
    }

    /// Does some of a crew's jobs, then tells its sessions once what they changed.
    fn turn(&mut self) {
        let Some(id) = self.turns.pop_front() else { return };
        let Some(mut jobs) = self.waiting.remove(&id) else { return };
        self.contained(id, |worker| {
            let mut turn = Turn::new(Instant::now());
            while let Some(job) = jobs.pop_front() {
                turn.count(&job);
                worker.one(id, job);
                if turn.is_over(Instant::now()) {
                    break;
                }
            }
            if let Some(crew) = worker.crews.get_mut(&id) {
                crew.announce();
            }
        });
        if !jobs.is_empty() {
            self.waiting.insert(id, jobs);
            self.turns.push_back(id);
        }
    }

    /// Does something for one crew. Should it panic, that crew is dropped from memory; its sessions hear of it, the next
    /// one opens its log anew, and no other crew is touched.
    fn contained(&mut self, id: CrewId, work: impl FnOnce(&mut Self)) {
        if catch_unwind(AssertUnwindSafe(|| work(self))).is_err() {
            tracing::error!(crew = %id, "a fault in this program; the crew is dropped from memory");
            self.setting.metrics.panicked();
            self.crews.remove(&id);
        }
    }

    fn one(&mut self, id: CrewId, job: Job) {
        match job {
            Job::Opened { session, line, .. } => match self.crew(id) {
                Ok(crew) => crew.begin(session, line),
                Err(error) => {
                    let what = format!("{}; try again later", error.code());
                    say(&line, &Refusal::Store { what });
                }
            },
            Job::Frame { session, frame, .. } => {
                if let Some(crew) = self.crews.get_mut(&id) {
                    crew.frame(session, &frame);
                }
                drop(frame.room);
            }
            Job::Closed { session, .. } => {
                if let Some(crew) = self.crews.get_mut(&id) {
                    crew.end(session);
                }
            }
            Job::Elsewhere { .. } => {
                if let Some(crew) = self.crews.get_mut(&id) {
                    crew.elsewhere();
                }
            }
            Job::Do { work, .. } => {
                // Whoever waits for an answer hears nothing, which says that it could not be done.
                if let Ok(crew) = self.crew(id) {
                    crew.work(work);
                }
            }
            Job::Listen { listener, .. } => {
                if let Ok(crew) = self.crew(id) {
                    crew.listen(listener);
                }
            }
            Job::Anything | Job::Stop => {}
        }
    }

    /// Returns a crew, opened if it is not in memory.
    fn crew(&mut self, id: CrewId) -> Result<&mut Crew, LogError> {
        if !self.crews.contains_key(&id) {
            let opened = Crew::open(&self.setting, id).inspect_err(|error| {
                self.setting.metrics.store_failed();
                tracing::error!(crew = %id, code = error.code(), %error, "a crew's log cannot be opened");
            })?;
            self.crews.insert(id, opened);
        }
        let missing = || LogError::Internal { what: "a crew just opened is not there".to_owned() };
        self.crews.get_mut(&id).ok_or_else(missing)
    }

    fn tick(&mut self) {
        let now = Instant::now();
        if now < self.next_tick {
            return;
        }
        self.next_tick = now + TICK;
        let idle = self.setting.limits.crew_idle;
        let gone = |crew: &Crew| crew.idle_since.is_some_and(|since| now.saturating_duration_since(since) >= idle);
        self.crews.retain(|_, crew| !gone(crew));
        let ids: Vec<CrewId> = self.crews.keys().copied().collect();
        for id in ids {
            self.contained(id, |worker| {
                if let Some(crew) = worker.crews.get_mut(&id) {
                    crew.elsewhere();
                    crew.tick();
                    crew.announce();
                }
            });
        }
    }

    /// Does what is in line, then tells every session that the server is closing.
    fn stop(mut self) {
        while !self.turns.is_empty() {
            self.turn();
        }
        let ids: Vec<CrewId> = self.crews.keys().copied().collect();
        for id in ids {
            self.contained(id, |worker| {
                if let Some(crew) = worker.crews.get_mut(&id) {
                    crew.close();
                }
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use axum::body::Bytes;
    use tokio::sync::Semaphore;

    use super::*;
    use crate::crews::{Frame, SessionId};

    fn frame(bytes: usize) -> Job {
        let permit = || Arc::new(Semaphore::new(1)).try_acquire_owned().unwrap();
        let frame = Frame { bytes: Bytes::from(vec![0; bytes]), came: Instant::now(), room: (permit(), permit()) };
        Job::Frame { crew: CrewId::from_bytes([1; 16]), session: SessionId(1), frame }
    }

    /// Counts the jobs that a crew with any number of them waiting gets done in one turn.
    fn in_one_turn(job: &Job, each_takes: Duration) -> usize {
        let mut now = Instant::now();
        let mut turn = Turn::new(now);
        loop {
            turn.count(job);
            now += each_takes;
            if turn.is_over(now) {
                return turn.jobs;
            }
        }
    }

    #[test]
    fn a_crew_that_sends_much_or_dear_frames_gives_the_next_crew_its_turn_sooner() {
        let turn = |bytes, ms| in_one_turn(&frame(bytes), Duration::from_millis(ms));
        assert_eq!(turn(2, 0), 64, "small and cheap");
        assert_eq!(turn(200 << 10, 0), 1, "large: one frame, whatever its size");
        assert_eq!(turn(10 << 10, 0), 7);
        assert_eq!(turn(2, 5), 4, "small, and dear to unpack");
        assert_eq!(turn(2, 500), 1, "however dear, one");
        assert_eq!(
            in_one_turn(&Job::Closed { crew: CrewId::from_bytes([1; 16]), session: SessionId(1) }, Duration::ZERO),
            64
        );
    }
}
