//! Crew facts to CBOR and back. The numbers here are those of `entry.cddl`.

use std::collections::BTreeSet;

use super::super::crew::{Founding, Held, Invitation, Joining, Leaving, Seal, Standing, Vouching};
use super::super::id::{DeviceId, EntryId, FactId, OutingId};
use super::super::words::Role;
use super::WireError;
use super::read::Reader;
use super::read_facts::{fact_id as read_fact_id, moment as read_moment};
use super::write::{Fields, array};
use super::write_facts::{fact_id, moment};

type Read<T> = Result<T, WireError>;

/// An entry's id and hash, one after the other.
const HELD: usize = 32;

fn after(own: EntryId, facts: &[FactId]) -> Vec<u8> {
    array(facts.iter().map(|id| fact_id(own, *id)))
}

fn held(list: &[Held]) -> Vec<u8> {
    list.iter().flat_map(|h| [h.entry.as_bytes().as_slice(), &h.hash].concat()).collect()
}

fn ids(list: &[EntryId]) -> Vec<u8> {
    let list: BTreeSet<EntryId> = list.iter().copied().collect();
    list.iter().flat_map(|id| *id.as_bytes()).collect()
}

pub(super) fn founding(f: &Founding) -> Vec<u8> {
    Fields::new().bytes(1, &f.key).text(2, &f.name).finish()
}

pub(super) fn invitation(own: EntryId, f: &Invitation) -> Vec<u8> {
    Fields::new()
        .bytes(1, &f.key)
        .uint(2, f.role.number())
        .raw(3, &moment(f.until))
        .raw(4, &after(own, &f.after))
        .finish()
}

pub(super) fn joining(own: EntryId, f: &Joining) -> Vec<u8> {
    Fields::new().bytes(1, &f.key).bytes(2, &f.invitation).bytes(3, &f.proof).raw(4, &after(own, &f.after)).finish()
}

pub(super) fn standing(own: EntryId, f: &Standing) -> Vec<u8> {
    let known = ids(&f.known);
    let fields = Fields::new().bytes(1, f.device.as_bytes());
    let fields = if let Some(key) = &f.key { fields.bytes(2, key) } else { fields };
    fields
        .opt_uint(3, f.role.map(|r| r.number()))
        .text(4, &f.reason)
        .bytes(5, &known)
        .raw(6, &after(own, &f.after))
        .finish()
}

pub(super) fn leaving(own: EntryId, f: &Leaving) -> Vec<u8> {
    Fields::new().text(1, &f.reason).raw(2, &after(own, &f.after)).bytes(3, &ids(&f.known)).finish()
}

pub(super) fn seal(f: &Seal) -> Vec<u8> {
    Fields::new().bytes(1, f.outing.as_bytes()).bytes(2, &held(&f.held)).uint(3, f.count).bytes(4, &f.digest).finish()
}

pub(super) fn vouching(f: &Vouching) -> Vec<u8> {
    Fields::new().bytes(1, &held(&f.held)).text(2, &f.reason).finish()
}

fn read_after(own: EntryId, r: &mut Reader<'_>) -> Read<Vec<FactId>> {
    r.items(|r| read_fact_id(own, r))
}

fn read_role(r: &mut Reader<'_>) -> Read<Role> {
    r.choice("a role", Role::from_number)
}

/// Reads records of one size in one byte string; they must ascend, so that a list has one encoding.
fn records<const N: usize, T: Ord>(r: &mut Reader<'_>, record: impl Fn([u8; N]) -> T) -> Read<Vec<T>> {
    let bytes = r.byte_string()?;
    let (chunks, rest) = bytes.as_chunks::<N>();
    let list: Vec<T> = chunks.iter().map(|c| record(*c)).collect();
    if !rest.is_empty() || !list.is_sorted_by(|a, b| a < b) {
        return Err(r.wrong("a list of entries is cut off or does not ascend"));
    }
    Ok(list)
}

fn read_held(r: &mut Reader<'_>) -> Read<Vec<Held>> {
    records::<HELD, _>(r, |record| {
        let (mut entry, mut hash) = ([0; 16], [0; 16]);
        entry.iter_mut().chain(&mut hash).zip(record).for_each(|(to, from)| *to = from);
        Held { entry: EntryId::from_bytes(entry), hash }
    })
}

pub(super) fn read_founding(r: &mut Reader<'_>) -> Read<Founding> {
    let (mut key, mut name) = (None, None);
    r.fields(|field, r| {
        match field {
            1 => key = Some(r.byte_array()?),
            2 => name = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Founding { key: r.need(key, "a founder's key")?, name: r.need(name, "a crew's name")? })
}

pub(super) fn read_invitation(own: EntryId, r: &mut Reader<'_>) -> Read<Invitation> {
    let (mut key, mut role, mut until, mut after) = (None, None, None, None);
    r.fields(|field, r| {
        match field {
            1 => key = Some(r.byte_array()?),
            2 => role = Some(read_role(r)?),
            3 => until = Some(read_moment(r)?),
            4 => after = Some(read_after(own, r)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Invitation {
        key: r.need(key, "an invitation's key")?,
        role: r.need(role, "an invitation's role")?,
        until: r.need(until, "an invitation's end")?,
        after: r.need(after, "what an invitation builds on")?,
    })
}

pub(super) fn read_joining(own: EntryId, r: &mut Reader<'_>) -> Read<Joining> {
    let (mut key, mut invitation, mut proof, mut after) = (None, None, None, None);
    r.fields(|field, r| {
        match field {
            1 => key = Some(r.byte_array()?),
            2 => invitation = Some(r.byte_array()?),
            3 => proof = Some(r.byte_array()?),
            4 => after = Some(read_after(own, r)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Joining {
        key: r.need(key, "a joining device's key")?,
        invitation: r.need(invitation, "the invitation's key")?,
        proof: r.need(proof, "the proof of an invitation")?,
        after: r.need(after, "what a joining builds on")?,
    })
}

pub(super) fn read_standing(own: EntryId, r: &mut Reader<'_>) -> Read<Standing> {
    let (mut device, mut key, mut role, mut reason, mut known, mut after) = (None, None, None, None, None, None);
    r.fields(|field, r| {
        match field {
            1 => device = Some(DeviceId::from_bytes(r.bytes16()?)),
            2 => key = Some(r.byte_array()?),
            3 => role = Some(read_role(r)?),
            4 => reason = Some(r.text()?),
            5 => known = Some(records::<16, _>(r, EntryId::from_bytes)?),
            6 => after = Some(read_after(own, r)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Standing {
        device: r.need(device, "the device of a standing")?,
        key,
        role,
        reason: r.need(reason, "the reason of a standing")?,
        known: r.need(known, "the known entries of a standing")?,
        after: r.need(after, "what a standing builds on")?,
    })
}

pub(super) fn read_leaving(own: EntryId, r: &mut Reader<'_>) -> Read<Leaving> {
    let (mut reason, mut after, mut known) = (None, None, None);
    r.fields(|field, r| {
        match field {
            1 => reason = Some(r.text()?),
            2 => after = Some(read_after(own, r)?),
            3 => known = Some(records::<16, _>(r, EntryId::from_bytes)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Leaving {
        reason: r.need(reason, "the reason of a leaving")?,
        known: r.need(known, "the entries of a leaving")?,
        after: r.need(after, "what a leaving builds on")?,
    })
}

pub(super) fn read_seal(r: &mut Reader<'_>) -> Read<Seal> {
    let (mut outing, mut held, mut count, mut digest) = (None, None, None, None);
    r.fields(|field, r| {
        match field {
            1 => outing = Some(OutingId::from_bytes(r.bytes16()?)),
            2 => held = Some(read_held(r)?),
            3 => count = Some(r.uint("the number of sealed entries")?),
            4 => digest = Some(r.byte_array()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Seal {
        outing: r.need(outing, "a seal's outing")?,
        held: r.need(held, "a seal's entries")?,
        count: r.need(count, "the number of sealed entries")?,
        digest: r.need(digest, "a seal's digest")?,
    })
}

pub(super) fn read_vouching(r: &mut Reader<'_>) -> Read<Vouching> {
    let (mut held, mut reason) = (None, None);
    r.fields(|field, r| {
        match field {
            1 => held = Some(read_held(r)?),
            2 => reason = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Vouching { held: r.need(held, "the entries vouched for")?, reason: r.need(reason, "the reason of a vouching")? })
}
