// The stock automerge-repo server without storage.
import { Repo } from "@automerge/automerge-repo"
import { WebSocketServerAdapter } from "@automerge/automerge-repo-network-websocket"
import { WebSocketServer } from "ws"
import { listen } from "./hub.js"

const server = listen((_, response) => response.end())
const repo = new Repo({ network: [new WebSocketServerAdapter(new WebSocketServer({ server }))] })
repo.on("error", error => console.error(error))
