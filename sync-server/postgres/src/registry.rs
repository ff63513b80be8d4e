//! Small named values that belong to no crew, shared by the servers over one database.

use embertally_core::store::StoreError;

use crate::database::Database;
use crate::rows::value;

/// The servers' own small values: which crews there are, invitations, and the like.
///
/// Keys are compared byte by byte; one that holds a zero byte is refused by the database.
#[derive(Debug, Clone)]
pub struct PostgresRegistry {
    database: Database,
}

impl PostgresRegistry {
    /// Makes a handle on the values of a database.
    #[must_use]
    pub fn new(database: &Database) -> Self {
        Self { database: database.clone() }
    }

    /// Reads a value.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub fn get(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let row = self.database.session()?.row("SELECT value FROM server_values WHERE key = $1", &[&key])?;
        row.map(|row| value(&row, 0)).transpose()
    }

    /// Lists the values whose keys begin with `prefix`, in the order of their keys.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub fn list(&self, prefix: &str) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        let sql = "SELECT key, value FROM server_values WHERE starts_with(key, $1) ORDER BY key";
        let rows = self.database.session()?.rows(sql, &[&prefix])?;
        rows.iter().map(|row| Ok((value(row, 0)?, value(row, 1)?))).collect()
    }

    /// Writes a value durably, in place of an older one.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub fn put(&self, key: &str, value: &[u8]) -> Result<(), StoreError> {
        self.database.session()?.write(|session| {
            session.run(
                "INSERT INTO server_values (key, value) VALUES ($1, $2)
                 ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                &[&key, &value],
            )
        })?;
        Ok(())
    }

    /// Writes a value durably only if the present one is `from` (`None`: there is none); `None` for `to` removes it.
    /// Returns whether it did. Of several servers that try the same at once, one succeeds.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub fn exchange(&self, key: &str, from: Option<&[u8]>, to: Option<&[u8]>) -> Result<bool, StoreError> {
        let changed = self.database.session()?.write(|session| match (from, to) {
            (None, None) => Ok(session.row("SELECT FROM server_values WHERE key = $1", &[&key])?.map_or(1, |_| 0)),
            (None, Some(to)) => session
                .run("INSERT INTO server_values (key, value) VALUES ($1, $2) ON CONFLICT DO NOTHING", &[&key, &to]),
            (Some(from), None) => {
                session.run("DELETE FROM server_values WHERE key = $1 AND value = $2", &[&key, &from])
            }
            (Some(from), Some(to)) => {
                session.run("UPDATE server_values SET value = $3 WHERE key = $1 AND value = $2", &[&key, &from, &to])
            }
        })?;
        Ok(changed > 0)
    }
}
