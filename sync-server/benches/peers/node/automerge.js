// 8 automerge-repo clients in one process, one document with a map of byte strings, one change an entry.
import { Repo } from "@automerge/automerge-repo"
import * as Automerge from "@automerge/automerge"
import { WebSocketClientAdapter } from "@automerge/automerge-repo-network-websocket"
import { DEVICES, EACH, entries } from "./entries.js"
import { report, startHub } from "./hub.js"

const hub = await startHub("./automerge-hub.js")
const first = new Repo().create({ entries: {} })
const root = Automerge.save(first.doc())
const devices = Array.from({ length: DEVICES }, (_, n) => {
  const repo = new Repo()
  const handle = repo.import(root, { docId: first.documentId })
  handle.doneLoading?.()
  for (const [key, bytes] of entries(n)) handle.change(doc => (doc.entries[key] = bytes))
  return { repo, handle }
})
const size = handle => Object.keys(handle.doc().entries).length
for (const { handle } of devices) if (size(handle) !== EACH) throw new Error(`a device has ${size(handle)} entries`)

const began = performance.now()
await Promise.all(
  devices.map(({ repo, handle }) => {
    const all = new Promise(resolve => {
      handle.on("change", () => size(handle) === DEVICES * EACH && resolve())
    })
    repo.networkSubsystem.addNetworkAdapter(new WebSocketClientAdapter(`ws://127.0.0.1:${hub.port}`))
    return all
  }),
)
const seconds = (performance.now() - began) / 1e3
const heads = new Set(devices.map(({ handle }) => handle.heads().join()))
if (heads.size !== 1) throw new Error(`${heads.size} different heads`)
report("automerge-repo", seconds, await hub.count())
hub.stop()
process.exit(0)
