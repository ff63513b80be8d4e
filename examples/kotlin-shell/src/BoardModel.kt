package shell

import embertally.*
import java.io.File
import java.time.Instant
import java.time.ZoneId
import java.time.format.DateTimeFormatter
import kotlinx.coroutines.*
import kotlinx.coroutines.channels.Channel
import kotlinx.coroutines.flow.MutableStateFlow
import kotlinx.coroutines.flow.StateFlow
import kotlinx.coroutines.flow.asStateFlow
import kotlinx.coroutines.flow.update

/** What one tap says of one shot. */
enum class Tap(val word: String, val letter: String, val ignition: Ignition, val transfer: Transfer?) {
    LIT("Fired, fuse lit", "lit", Ignition.FIRED, Transfer.LIT),
    DARK("Fired, fuse not lit", "dark fuse", Ignition.FIRED, Transfer.UNLIT),
    SLOW("Slow, fuse lit", "slow", Ignition.SLOW, Transfer.LIT),
    FAILED("Failed", "failed", Ignition.FAILED, null),
    UNTRIED("Not tried", "not tried", Ignition.SKIPPED, null),
}

/** All that is on the screen. */
data class Board(
    val register: Register? = null,
    val lot: String = "",
    val fuse: String = "",
    val nextUnit: Int = 1,
    val taps: List<Tap> = emptyList(),
    val volleys: List<VolleyLine> = emptyList(),
    val live: LiveList? = null,
    val rates: List<RateRow> = emptyList(),
    val sync: SyncStatus = SyncStatus(SyncState.Off, SyncTally(0u, 0u, 0u, 0u, false)),
    val saved: String = "",
    val problem: String = "",
)

/**
 * The state of the one screen, over the binding, as a view model of an app would be. It reckons nothing: what is shown is
 * what the library says, in its words.
 */
class BoardModel(private val log: Embertally, private val scope: CoroutineScope) {
    private val board = MutableStateFlow(Board())
    val state: StateFlow<Board> = board.asStateFlow()

    /** Calls wait for the disk, so they go one after another beside the thread that draws. */
    private val work = Channel<suspend () -> Unit>(Channel.UNLIMITED)
    private val watching = log.observe(object : Observer {
        override fun changed(changes: Changes) {
            if (changes.newlyLive > 0u) {
                board.update { it.copy(problem = "${changes.newlyLive} newly on the live list. Look before anybody walks.") }
            }
            act { refresh() }
        }
    })

    init {
        scope.launch(Dispatchers.IO) { for (task in work) task() }
        act { refresh() }
    }

    private fun act(task: suspend () -> Unit) {
        work.trySend {
            try {
                task()
            } catch (refused: EmbertallyException) {
                board.update { it.copy(problem = said(refused), saved = "") }
            }
        }
    }

    private suspend fun refresh() {
        val register = log.register()
        val live = log.live()
        val volleys = log.volleys(register.outing, 8u)
        val rates = log.rates(RatesQuery(listOf(Group.LOT, Group.FUSE), Measure.IGNITION))
        val sync = log.syncStatus()
        board.update { it.copy(register = register, live = live, volleys = volleys, rates = rates, sync = sync) }
    }

    fun begin(outing: String, lot: String, fuse: String) = act {
        val known = log.register()
        if (known.outings.none { it.name == outing }) {
            log.beginOuting(Outing(outing, OutingKind.TEST, waitMinutes = 30u))
        } else {
            log.goToOuting(outing)
        }
        board.update { it.copy(lot = lot, fuse = fuse, problem = "") }
        refresh()
    }

    /** One tap, one shot; the twelfth is the last. */
    fun tap(tap: Tap) = board.update { if (it.taps.size < MOST) it.copy(taps = it.taps + tap, saved = "") else it }

    fun undo() = board.update { it.copy(taps = it.taps.dropLast(1)) }

    fun choose(lot: String, fuse: String, nextUnit: Int) =
        board.update { it.copy(lot = lot, fuse = fuse, nextUnit = nextUnit) }

    /** Logs what was tapped. It is said to be saved when it is. */
    fun save(wiring: Wiring, channel: Int?) = act {
        val now = board.value
        val shots = now.taps.mapIndexed { i, tap ->
            ShotEntry(now.lot, "${now.nextUnit + i}", Seen(tap.ignition, tap.transfer))
        }
        val entry = VolleyEntry(
            shots,
            fuse = now.fuse,
            wiring = wiring.takeIf { shots.size > 1 },
            channel = channel?.toUShort(),
            newNames = true,
        )
        val logged = log.logVolley(entry)
        val liveNow = logged.failedOrNotTried + logged.unlit
        board.update {
            it.copy(
                taps = emptyList(),
                nextUnit = now.nextUnit + shots.size,
                saved = "Saved on this device: ${logged.shots} shots" + if (liveNow > 0u) ", $liveNow of them live." else ".",
                problem = "",
            )
        }
        refresh()
    }

    fun markSafe(shot: String) = act {
        log.markSafe(listOf(shot))
        refresh()
    }

    fun startSync(invitation: String) = act {
        log.startSync(invitation.trim().ifEmpty { null })
        board.update { it.copy(problem = "") }
        refresh()
    }

    fun stopSync() = act {
        log.stopSync()
        refresh()
    }

    fun close() {
        watching.stop()
        work.close()
        scope.cancel()
        log.close()
    }

    companion object {
        const val MOST = 12

        fun said(error: EmbertallyException) = when (error) {
            is EmbertallyException.Refused -> error.reason
            is EmbertallyException.Usage -> error.reason
            is EmbertallyException.TryAgain -> error.reason
            is EmbertallyException.Damaged -> error.reason
            is EmbertallyException.Cancelled -> "Cancelled; nothing was written."
            is EmbertallyException.Bug -> error.reason
        }

        fun said(status: SyncStatus) = when (val state = status.state) {
            is SyncState.Off -> "Sync is off."
            is SyncState.Offline -> "Offline: ${state.reason} Trying again by itself."
            is SyncState.Meeting -> "Meeting the server."
            is SyncState.UpToDate -> "Up to date: ${status.tally.entriesCame} came, ${status.tally.entriesWent} sent."
            is SyncState.Refused -> state.reason
        }

        private val hours = DateTimeFormatter.ofPattern("HH:mm")

        fun clock(moment: Moment?): String =
            moment?.let { Instant.ofEpochMilli(it.unixMs).atZone(ZoneId.systemDefault()).format(hours) } ?: ""

        fun open(folder: File, scope: CoroutineScope) = BoardModel(Embertally.open(folder.path), scope)
    }
}
