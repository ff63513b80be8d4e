//! Weather logs to readings.

use super::error::{BadRows, FormatError, ImportError, MissingColumn, RowError, shortened};
use super::format::{Line, Next, Table, text};
use super::group::{Grouped, Known, NO_DEVICE, Seals, device, undated};
use super::import::Import;
use super::notice::Notices;
use super::options::{Delimiter, ImportOptions};
use super::row::{Decimal, Marks, NOT_A_TIME, moment};
use super::weather_columns::{Quantity, Scale, WeatherColumn};
use crate::facts::{Conditions, DeviceId, Fact, Moment, OutingId, Reading};

/// The most readings in one entry.
const READINGS_AN_ENTRY: usize = 500;

/// Reads a weather log in CSV into readings of an outing.
///
/// A column `time` and at least one of temperature, humidity, wind and precipitation must be there, with the unit in
/// the header: `temperature_c` or `temperature_f`, `humidity_pct`, `wind_m_s`, `wind_kmh`, `wind_kt` or `wind_mph`,
/// `precipitation` (a word) or `rain_mm`. Other columns are left out, and that is said. `source` says by what it was
/// read, such as a station's name. Ids follow from the content, as in [`super::read_csv`].
///
/// # Errors
/// [`ImportError`], by the same rule of all or nothing.
pub fn read_weather(
    bytes: &[u8],
    outing: OutingId,
    source: Option<&str>,
    options: &ImportOptions,
    known: &Known,
) -> Result<Import, ImportError> {
    let mut notices = Notices::default();
    let text = text(bytes, &mut notices)?;
    let is_column = |header: &str| WeatherColumn::from_header(header).is_some();
    let mut table = Table::open(text, options, &is_column, &mut notices)?;
    let columns = Columns::of(&table.header, table.header_line, &mut notices)?;
    let mut marks = Marks::new(options.decimal, table.delimiter != Delimiter::Comma);
    let mut bad = BadRows::default();
    let mut readings: Vec<(Reading, u64)> = Vec::new();
    loop {
        match table.next(&mut notices)? {
            Next::End => break,
            Next::Bad(error) => bad.push(error),
            Next::Line(line) => match columns.reading(&line, &mut marks) {
                Ok((at, conditions)) => {
                    readings.push((Reading { outing, at, conditions, source: source.map(str::to_owned) }, line.line));
                }
                Err(error) => bad.push(error),
            },
        }
    }
    marks.settle(&mut notices)?;
    let readings = without_copies(readings, &columns, &mut notices, &mut bad);
    let rows = readings.len() as u64;
    let entries = entries(readings, outing, known);
    Import::of(Grouped { entries, rows }, notices, bad, options)
}

/// Two readings of one time: the same twice is noted, two different ones contradict each other.
fn without_copies(
    mut readings: Vec<(Reading, u64)>,
    columns: &Columns,
    notices: &mut Notices,
    bad: &mut BadRows,
) -> Vec<Reading> {
    // By time, so that the order of lines in the file does not matter to the entries.
    readings.sort_by_key(|(reading, line)| (reading.at.unix_ms, *line));
    let mut kept: Vec<(Reading, u64)> = Vec::with_capacity(readings.len());
    for (reading, line) in readings {
        match kept.last() {
            Some((last, _)) if last.at.unix_ms == reading.at.unix_ms && last.conditions == reading.conditions => {
                notices.line("copied-row", line, || "The reading is there twice, and adds nothing.".to_owned());
            }
            Some((last, earlier)) if last.at.unix_ms == reading.at.unix_ms => {
                let reason = format!("line {earlier} has another reading of the same time");
                bad.push(columns.error(Quantity::Time, line, &reading.at.to_string(), reason));
            }
            _ => kept.push((reading, line)),
        }
    }
    kept.into_iter().map(|(reading, _)| reading).collect()
}

fn entries(readings: Vec<Reading>, outing: OutingId, known: &Known) -> Vec<(Option<OutingId>, crate::facts::Entry)> {
    let (mut seals, id) = (Seals::default(), DeviceId::named(NO_DEVICE));
    let mut entries = Vec::new();
    if !readings.is_empty() && !known.devices.contains(&id) {
        entries.extend(undated(&mut seals, device(NO_DEVICE)).map(|entry| (None, entry)));
    }
    for chunk in readings.chunks(READINGS_AN_ENTRY) {
        let Some(first) = chunk.first() else { continue };
        // 500 readings take some 20 kB; only a source's name of hundreds of bytes would need more entries.
        seal(&mut seals, id, first.at, chunk, &mut |entry| entries.push((Some(outing), entry)));
    }
    entries
}

/// Seals readings, in halves where they are too large for one entry.
fn seal(
    seals: &mut Seals,
    device: DeviceId,
    written: Moment,
    readings: &[Reading],
    take: &mut dyn FnMut(crate::facts::Entry),
) {
    match seals.seal(device, written, readings.iter().cloned().map(Fact::Reading)) {
        Ok(entry) => take(entry),
        Err(_) if readings.len() > 1 => {
            let (first, second) = readings.split_at(readings.len() / 2);
            seal(seals, device, written, first, take);
            seal(seals, device, written, second, take);
        }
        Err(_) => {}
    }
}

/// Where the columns stand in a file.
struct Columns {
    places: [Option<(usize, WeatherColumn)>; Quantity::COUNT],
    header: Vec<String>,
}

impl Columns {
    fn of(header: &[String], line: u64, notices: &mut Notices) -> Result<Self, ImportError> {
        let mut columns = Self { places: [None; Quantity::COUNT], header: header.to_vec() };
        let mut left_out = Vec::new();
        for (place, name) in header.iter().enumerate() {
            let Some(column) = WeatherColumn::from_header(name) else {
                left_out.push(shortened(name));
                continue;
            };
            let Some(slot) = columns.places.get_mut(column.quantity.index()) else { continue };
            if let Some((earlier, _)) = slot.replace((place, column)) {
                let reason = format!("the {} is there already, as column {}", column.quantity.name(), earlier + 1);
                return Err(FormatError::at(line, u32::try_from(place + 1).ok(), reason).into());
            }
            if let Some(said) = column.said {
                notices.line(column.quantity.name(), line, || said.to_owned());
            }
        }
        let measured = columns.places.iter().skip(1).any(Option::is_some);
        let mut missing = Vec::new();
        if columns.place(Quantity::Time).is_none() {
            missing.push(MissingColumn { name: "time", nearest: like("time", header) });
        }
        if !measured {
            let nearest = ["temp", "humid", "wind", "rain", "precip"].iter().find_map(|word| like(word, header));
            missing.push(MissingColumn {
                name: "with a unit, such as temperature_c, humidity_pct, wind_m_s or rain_mm",
                nearest,
            });
        }
        if !missing.is_empty() {
            return Err(ImportError::MissingColumns { line, columns: missing });
        }
        left_out.retain(|name| !name.is_empty());
        if !left_out.is_empty() {
            notices.line("unknown-column", line, || format!("These columns are left out: {}.", left_out.join(", ")));
        }
        Ok(columns)
    }

    fn place(&self, quantity: Quantity) -> Option<(usize, WeatherColumn)> {
        self.places.get(quantity.index()).copied().flatten()
    }

    fn error(&self, quantity: Quantity, line: u64, text: &str, reason: impl Into<String>) -> RowError {
        let place = self.place(quantity).map(|(place, _)| place);
        RowError {
            line,
            column_number: place.and_then(|p| u32::try_from(p + 1).ok()),
            column_name: place.and_then(|p| self.header.get(p)).map(|name| shortened(name)).unwrap_or_default(),
            text: shortened(text),
            reason: reason.into(),
        }
    }

    fn reading(&self, line: &Line<'_>, marks: &mut Marks) -> Result<(Moment, Conditions), RowError> {
        let cell = |quantity| self.place(quantity).map_or("", |(place, _)| line.cell(place));
        let wrong = |quantity, reason: String| {
            let at = self.place(quantity).map_or(line.line, |(place, _)| line.line_of(place));
            self.error(quantity, at, cell(quantity), reason)
        };
        let at = moment(cell(Quantity::Time)).ok_or_else(|| wrong(Quantity::Time, NOT_A_TIME.to_owned()))?;
        let mut number = |quantity| -> Result<Option<(WeatherColumn, Decimal)>, RowError> {
            let (Some((place, column)), text) = (self.place(quantity), cell(quantity)) else { return Ok(None) };
            if text.is_empty() {
                return Ok(None);
            }
            let (number, mark) =
                Decimal::read(text).ok_or_else(|| wrong(quantity, "not a plain number, such as 18.5".to_owned()))?;
            if let Some(mark) = mark {
                let place = || (line.line_of(place), u32::try_from(place + 1).ok());
                marks.meet(number, mark, place).map_err(|reason| wrong(quantity, reason.to_owned()))?;
            }
            Ok(Some((column, number)))
        };
        let limit = |quantity| move |reason: &'static str| (quantity, reason);
        let (t, h, w) = (number(Quantity::Temperature)?, number(Quantity::Humidity)?, number(Quantity::Wind)?);
        let rain = match self.place(Quantity::Precipitation) {
            Some((_, WeatherColumn { scale: Scale::RainMm, .. })) => number(Quantity::Precipitation)?,
            _ => None,
        };
        let word = if rain.is_none() { cell(Quantity::Precipitation) } else { "" };
        let precipitation = match rain {
            Some((column, n)) => Some(column.rain(n)).transpose().map_err(limit(Quantity::Precipitation)),
            None if word.is_empty() => Ok(None),
            None => word.parse().map(Some).map_err(|_| {
                (Quantity::Precipitation, "not a known precipitation; use one of: none, drizzle, rain, snow")
            }),
        };
        let conditions = (|| {
            Ok(Conditions {
                temperature: t.map(|(c, n)| c.temperature(n)).transpose().map_err(limit(Quantity::Temperature))?,
                humidity: h.map(|(c, n)| c.humidity(n)).transpose().map_err(limit(Quantity::Humidity))?,
                wind: w.map(|(c, n)| c.wind(n)).transpose().map_err(limit(Quantity::Wind))?,
                precipitation: precipitation?,
            })
        })();
        let conditions =
            conditions.map_err(|(quantity, reason): (Quantity, &str)| wrong(quantity, reason.to_owned()))?;
        Ok((at, conditions))
    }
}

fn like(word: &str, header: &[String]) -> Option<String> {
    header.iter().find(|name| name.to_lowercase().contains(word)).map(|name| shortened(name))
}
