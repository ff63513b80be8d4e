// A stock automerge-repo client that does what it is told: one JSON object a line in, one a line out.
//
//   node client.mjs ws://x:TOKEN@127.0.0.1:PORT/repo
//
// Besides answers it says {"event": …} when the connection opens, ends, or is refused.
import { createInterface } from "node:readline"
import { Repo, updateText } from "@automerge/automerge-repo"
import { WebSocketClientAdapter } from "@automerge/automerge-repo-network-websocket"

const say = what => process.stdout.write(JSON.stringify(what) + "\n")
const hex = bytes => Buffer.from(bytes).toString("hex")

// The adapter throws what its socket says while it connects.
process.on("uncaughtException", error => say({ event: "error", what: String(error.message ?? error) }))

const adapter = new WebSocketClientAdapter(process.argv[2])
adapter.on("peer-candidate", ({ peerId }) => say({ event: "joined", peer: peerId }))
adapter.on("peer-disconnected", () => say({ event: "left" }))
const repo = new Repo({ network: [adapter] })

const contents = handle => {
  const { entries, labels } = handle.doc()
  return {
    entries: Object.fromEntries(Object.entries(entries).map(([id, bytes]) => [id, hex(bytes)])),
    labels: Object.fromEntries(Object.entries(labels).map(([key, text]) => [key, String(text)])),
  }
}

const commands = {
  async find({ url }) {
    return contents(await repo.find(url))
  },
  // Writes an entry's bytes under an id, whether or not something is there.
  async put({ url, id, bytes }) {
    const handle = await repo.find(url)
    handle.change(doc => {
      doc.entries[id] = new Uint8Array(Buffer.from(bytes, "hex"))
    })
    return {}
  },
  async label({ url, key, text }) {
    const handle = await repo.find(url)
    handle.change(doc => {
      if (doc.labels[key] === undefined) doc.labels[key] = text
      else updateText(doc, ["labels", key], text)
    })
    return {}
  },
  // Waits until an entry is there.
  async until({ url, id }) {
    const handle = await repo.find(url)
    while (handle.doc().entries[id] === undefined) await new Promise(resolve => handle.once("change", resolve))
    return contents(handle)
  },
}

for await (const line of createInterface({ input: process.stdin })) {
  const command = JSON.parse(line)
  try {
    say({ done: command.do, ...(await commands[command.do](command)) })
  } catch (error) {
    say({ done: command.do, failed: String(error.message ?? error) })
  }
}
process.exit(0)
