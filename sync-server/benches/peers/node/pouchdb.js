// 8 PouchDB databases in memory in one process, one document an entry, its bytes in base64.
//
//   node pouchdb.js live    replication both ways that stays open, as an application has it
//   node pouchdb.js once    all push once, then all pull once: the least that the job can take
import PouchDB from "pouchdb-core"
import memory from "pouchdb-adapter-memory"
import http from "pouchdb-adapter-http"
import replication from "pouchdb-replication"
import { EventEmitter } from "node:events"
import { DEVICES, EACH, entries } from "./entries.js"
import { report, startHub } from "./hub.js"

const way = process.argv[2] === "once" ? "once" : "live"
EventEmitter.defaultMaxListeners = 100
PouchDB.plugin(memory).plugin(http).plugin(replication)
const hub = await startHub("./pouchdb-hub.js")
const url = `http://127.0.0.1:${hub.port}/log`
await new PouchDB(url).info() // makes the database, before the clock starts
const setup = await hub.count()
const devices = []
for (let n = 0; n < DEVICES; n++) {
  const db = new PouchDB(`device${n}`, { adapter: "memory" })
  await db.bulkDocs(entries(n).map(([key, bytes]) => ({ _id: key, bytes: Buffer.from(bytes).toString("base64") })))
  devices.push(db)
}
const has = async db => (await db.info()).doc_count

const live = db =>
  new Promise((resolve, reject) => {
    db.sync(url, { live: true })
      .on("change", async () => (await has(db)) === DEVICES * EACH && resolve())
      .on("error", reject)
  })

const began = performance.now()
if (way === "live") {
  await Promise.all(devices.map(live))
} else {
  await Promise.all(devices.map(db => db.replicate.to(url)))
  await Promise.all(devices.map(db => db.replicate.from(url)))
}
const seconds = (performance.now() - began) / 1e3
const bytes = (await hub.count()) - setup
const lists = await Promise.all(devices.map(db => db.allDocs()))
const same = new Set(lists.map(list => list.rows.map(row => `${row.id} ${row.value.rev}`).join()))
if (same.size !== 1 || lists[0].rows.length !== DEVICES * EACH) throw new Error(`${same.size} different databases`)
report(`pouchdb ${way}`, seconds, bytes)
hub.stop()
process.exit(0)
