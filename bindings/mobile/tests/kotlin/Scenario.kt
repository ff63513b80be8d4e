/** One evening, step by step; tests/scenario.rs and tests/python/scenario.py do the same and give the same bytes. */
package scenario

import embertally.*
import java.io.File
import kotlinx.coroutines.runBlocking

/** One second later at each look, from 2031-05-09T20:00:00+02:00. */
class Steps : Clock {
    private var next = 1_936_116_000_000L

    @Synchronized
    override fun now() = Moment(next, 120).also { next += 1000 }
}

/** A key store in memory. */
class Pocket : KeyStore {
    private var kept: ByteArray? = null

    override fun load() = kept

    override fun save(secret: ByteArray) {
        kept = secret
    }
}

fun ofEvening(number: Int): VolleyEntry {
    val shots = (0 until 10).map { i ->
        val n = number * 10 + i
        val seen = when {
            n % 7 == 3 -> Seen(Ignition.FAILED)
            n % 11 == 5 -> Seen(Ignition.SLOW, Transfer.LIT, delayLowMs = 180.0, delayHighMs = 220.5)
            n % 5 == 4 -> Seen(Ignition.FIRED, Transfer.UNLIT)
            else -> Seen(Ignition.FIRED, Transfer.LIT)
        }
        ShotEntry("KB-104", "${n + 1}", seen)
    }
    return VolleyEntry(
        shots,
        fuse = "visco, green",
        wiring = Wiring.PARALLEL,
        module = "north",
        channel = (number + 1).toUShort(),
        label = "v$number",
    )
}

fun evening(log: Embertally): List<Logged> {
    log.nameDevice("phone 1")
    listOf("First Watcher", "Second Watcher").forEach { log.addPerson(Person(it)) }
    log.setObserver("First Watcher")
    log.addType(IgniterType("TZ quick", bridgeOhm = 1.6, noFireA = 0.2, allFireA = 0.6))
    log.addLot(Lot("KB-104", igniterType = "TZ quick", useBy = "2033-05-01", count = 300u))
    log.addFuse(Fuse("visco, green", FuseKind.VISCO))
    log.addModule(FiringModule("north", channels = 32u, supplyV = 24.0, capacitorUf = 470.0))
    log.beginOuting(Outing("Dry run, 9 May 2031", OutingKind.TEST, slowLimitMs = 150u, waitMinutes = 30u))
    log.logWeather(Weather(temperatureC = 12.5, humidityPct = 80.0, precipitation = Precipitation.DRIZZLE))
    return (0 until 4).map { log.logVolley(ofEvening(it)) }
}

suspend fun summary(log: Embertally): String {
    val lines = mutableListOf<String>()
    log.live().shots.forEach { lines += "live: unit ${it.unit ?: ""} ${it.reason}" }
    log.rates(RatesQuery(listOf(Group.LOT, Group.FUSE, Group.WET), Measure.IGNITION)).forEach { row ->
        lines += "rate: ${row.names.joinToString("; ") { it ?: "" }}: ${row.words}"
    }
    log.pairings().rows.forEach { lines += "pairing: ${it.sentence}" }
    log.disputes().disputes.forEach { d ->
        lines += "dispute: ${d.about} ${d.field}: ${d.said.joinToString(", ") { "${it.by} says ${it.says}" }}"
    }
    log.delays(listOf(Group.LOT)).forEach { lines += "delay: ${it.sentence}" }
    val stranger = ofEvening(9).let { v -> v.copy(shots = listOf(v.shots[0].copy(lot = "KB-140")) + v.shots.drop(1)) }
    for (entry in listOf(stranger, ofEvening(0))) {
        try {
            log.logVolley(entry)
            error("it was taken")
        } catch (refused: EmbertallyException.Refused) {
            lines += "refused: ${refused.code} ${refused.reason.substringBefore(", in volley")}"
        }
    }
    return lines.joinToString("\n") + "\n"
}

fun main(args: Array<String>) = runBlocking {
    val out = File(args[0])
    Embertally.open(File(out, "log").path, clock = Steps(), keys = Pocket()).use { log ->
        val logged = evening(log)
        val others = ofEvening(0).shots.map { it.seen }.toMutableList()
        others[0] = Seen(Ignition.FIRED, Transfer.UNLIT)
        log.logSighting(logged[0].volley, others, "Second Watcher")
        log.correctVolley(logged[1].volley, ofEvening(1).copy(channel = 12u))
        log.rule(Ruling("${logged[0].volley}:4", "the lead was found open", cause = Cause.WIRING))
        log.markSafe(log.live().shots.take(2).map { it.shot }, "drowned")
        File(out, "summary.txt").writeText(summary(log))
        log.exportFile(File(out, "shots.csv").path, FileFormat.CSV)
        log.exportFile(File(out, "shots.jsonl").path, FileFormat.JSON_LINES)
    }
    println("scenario: written")
}
