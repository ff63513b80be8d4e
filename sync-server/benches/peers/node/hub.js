// The part of a hub that both peers share: a process of its own, whose sockets' bytes are counted.
import { createServer } from "node:http"
import { fork } from "node:child_process"

/** In the hub's process: listens on loopback, tells its port, answers "bytes" with what went through its sockets. */
export function listen(handler) {
  const sockets = []
  const server = createServer(handler)
  server.on("connection", socket => {
    socket.setNoDelay(true)
    sockets.push(socket)
  })
  server.listen(0, "127.0.0.1", () => process.send({ port: server.address().port }))
  process.on("message", message => {
    if (message === "bytes") {
      const bytes = sockets.reduce((sum, s) => sum + s.bytesRead + s.bytesWritten, 0)
      process.send({ bytes })
    }
  })
  process.on("disconnect", () => process.exit(0))
  return server
}

/** In the devices' process: starts the hub. */
export async function startHub(file) {
  const child = fork(new URL(file, import.meta.url), { stdio: ["ignore", "ignore", "inherit", "ipc"] })
  const next = () => new Promise(resolve => child.once("message", resolve))
  const { port } = await next()
  return {
    port,
    async count() {
      child.send("bytes")
      return (await next()).bytes
    },
    stop: () => child.kill(),
  }
}

/** Prints one round for the table. */
export function report(peer, seconds, bytes) {
  console.log(JSON.stringify({ peer, seconds, bytes }))
}
