//! A store on PostgreSQL, for several servers over one database.
