// express-pouchdb over PouchDB's memory adapter.
import { mkdtempSync } from "node:fs"
import { tmpdir } from "node:os"
import { join } from "node:path"
import express from "express"
import expressPouchdb from "express-pouchdb"
import PouchDB from "pouchdb-core"
import memory from "pouchdb-adapter-memory"
import http from "pouchdb-adapter-http"
import mapreduce from "pouchdb-mapreduce"
import replication from "pouchdb-replication"
import { listen } from "./hub.js"

PouchDB.plugin(memory).plugin(http).plugin(mapreduce).plugin(replication)
const folder = mkdtempSync(join(tmpdir(), "pouchdb-hub-"))
const app = express()
app.use(
  expressPouchdb(PouchDB.defaults({ adapter: "memory" }), {
    mode: "minimumForPouchDB",
    configPath: join(folder, "config.json"),
    logPath: join(folder, "log.txt"),
  }),
)
listen(app)
