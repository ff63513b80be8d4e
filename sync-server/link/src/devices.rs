//! The devices that a run without a server calls: those that were named, and those that were found.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::time::{Duration, Instant};

use embertally_core::store::Store;

use crate::backoff::{Backoff, random};
use crate::courier::{Nearby, Until};
use crate::desk::{Desk, Step};
use crate::error::LinkError;
use crate::invitation::Address;
use crate::line::LineId;
use crate::nearby::Found;
use crate::note::Note;
use crate::patience::Patience;
use crate::road::Road;

/// How long the device whose name comes later waits to be called before it calls itself.
const PATIENCE: Duration = Duration::from_secs(3);
/// After how long it is looked again whether a device that has called still talks with this one.
const AGAIN: Duration = Duration::from_secs(5);
/// How often it is looked whom to call.
const LOOK: Duration = Duration::from_secs(1);
/// The most devices that are followed at one time.
const MOST_DEVICES: usize = 64;

/// A device that is called.
struct Device {
    addresses: Where,
    line: Option<LineId>,
    /// When it is to be called; never again if none.
    at: Option<Instant>,
    backoff: Backoff,
}

enum Where {
    Given(Address),
    Found(Vec<SocketAddr>),
}

/// The devices that are called or were found.
pub(crate) struct Devices {
    by_name: BTreeMap<String, Device>,
    /// The name that this device announces.
    pub(crate) own: String,
    /// Whether anybody was met.
    pub(crate) met: bool,
    patience: Patience,
}

impl Devices {
    pub(crate) fn new(how: &Nearby, patience: Patience) -> Self {
        let device = |address: &Address| Device {
            addresses: Where::Given(address.clone()),
            line: None,
            at: Some(Instant::now()),
            backoff: Backoff::new(&patience),
        };
        let by_name = how.call.iter().map(|address| (address.to_string(), device(address))).collect();
        Self { by_name, own: String::new(), met: false, patience }
    }

    /// Calls whoever is to be called now, and returns when the next one is.
    pub(crate) fn call<S: Store>(&mut self, road: &Road, how: &Nearby, desk: &Desk<'_, S>) -> Instant {
        let now = Instant::now();
        let mut next = now + LOOK;
        for device in self.by_name.values_mut().filter(|d| d.line.is_none()) {
            let Some(at) = device.at else { continue };
            if at > now {
                next = next.min(at);
                continue;
            }
            device.at = None;
            device.line = Some(match &device.addresses {
                Where::Given(address) => road.call_device(address, &how.code),
                // It has called this device meanwhile: one conversation is enough.
                Where::Found(all) if all.iter().any(|a| desk.talks_with(&host(a))) => {
                    device.at = Some(now + AGAIN);
                    continue;
                }
                Where::Found(all) => road.call_found(all, &how.code),
            });
        }
        next
    }

    fn of(&mut self, line: LineId) -> Option<(&String, &mut Device)> {
        self.by_name.iter_mut().find(|(_, device)| device.line == Some(line))
    }

    pub(crate) fn take<S: Store>(&mut self, step: Step, how: &Nearby, desk: &mut Desk<'_, S>) -> Result<(), LinkError> {
        let goes_on = how.until == Until::Stopped;
        match step {
            Step::Met(line) => {
                if let Some((_, device)) = self.of(line) {
                    device.backoff.reset();
                    self.met = true;
                    if !goes_on {
                        desk.close(line);
                    }
                }
            }
            Step::Found(found) => self.found(found),
            Step::Over { line, place, opens, met, error } => {
                self.met |= met;
                if !opens {
                    match error {
                        Some(error) => desk.note(Note::Offline { place, error, again: None }),
                        None if met => {
                            let tally = desk.tally();
                            desk.note(Note::UpToDate { place, tally });
                        }
                        None => {}
                    }
                    return Ok(());
                }
                let Some((_, device)) = self.of(line) else { return Ok(()) };
                if met && !goes_on {
                    device.line = None;
                    return Ok(());
                }
                let what = "it hung up".to_owned();
                let error = error.unwrap_or(LinkError::Cut { place: place.clone(), what });
                self.failed(line, place, error, how, desk)?;
            }
            Step::Failed { line, error } => {
                let Some((name, _)) = self.of(line) else {
                    desk.note(Note::Stranger { error });
                    return Ok(());
                };
                let place = name.clone();
                self.failed(line, place, error, how, desk)?;
            }
        }
        Ok(())
    }

    /// Decides whether a device that could not be met is called again.
    fn failed<S: Store>(
        &mut self,
        line: LineId,
        place: String,
        error: LinkError,
        how: &Nearby,
        desk: &mut Desk<'_, S>,
    ) -> Result<(), LinkError> {
        let goes_on = how.until == Until::Stopped;
        if matches!(error, LinkError::Log(_)) && !(goes_on && error.may_pass()) {
            return Err(error);
        }
        let Some((_, device)) = self.of(line) else { return Ok(()) };
        device.line = None;
        let is_given = matches!(device.addresses, Where::Given(_));
        if is_given && !(goes_on && error.may_pass()) {
            return Err(error);
        }
        let again = error.may_pass().then(|| device.backoff.next(random()));
        device.at = again.map(|wait| Instant::now() + wait);
        desk.note(Note::Offline { place, error, again });
        Ok(())
    }

    fn found(&mut self, found: Found) {
        let (addresses, is_full) = (Where::Found(found.addresses), self.by_name.len() >= MOST_DEVICES);
        // Of two devices that find each other, one calls at once and the other only if that does not come about.
        let wait = if self.own < found.name { Duration::ZERO } else { PATIENCE };
        match self.by_name.get_mut(&found.name) {
            Some(device) => device.addresses = addresses,
            None if is_full => {}
            None => {
                let at = Some(Instant::now() + wait);
                let device = Device { addresses, line: None, at, backoff: Backoff::new(&self.patience) };
                self.by_name.insert(found.name, device);
            }
        }
    }
}

/// Returns the IP address as it stands in a place.
fn host(address: &SocketAddr) -> String {
    let place = address.to_string();
    place.rsplit_once(':').map_or(place.clone(), |(ip, _)| ip.to_owned())
}
