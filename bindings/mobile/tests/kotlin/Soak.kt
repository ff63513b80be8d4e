/** Ten thousand calls from eight threads, callbacks that throw, cancelling, and what a call costs. */
package soak

import embertally.*
import java.io.File
import java.util.concurrent.Executors
import java.util.concurrent.TimeUnit
import java.util.concurrent.atomic.AtomicInteger
import kotlin.system.measureNanoTime
import kotlinx.coroutines.*
import scenario.Pocket
import scenario.Steps
import scenario.evening

fun check(condition: Boolean, what: String) {
    if (!condition) throw AssertionError(what)
}

fun soak(folder: File) {
    Embertally.open(folder.path, clock = Steps(), keys = Pocket()).use { log ->
        evening(log)
        val told = AtomicInteger()
        val observation = log.observe(object : Observer {
            override fun changed(changes: Changes) {
                told.incrementAndGet()
                log.live()
                throw IllegalStateException("an observer's own mistake")
            }
        })
        val pool = Executors.newFixedThreadPool(8)
        val work = (0 until 8).map { thread ->
            pool.submit {
                repeat(1250) { call ->
                    when (call % 25) {
                        0 -> log.logVolley(
                            VolleyEntry(
                                listOf(ShotEntry("KB-104", "s$thread-$call", Seen(Ignition.FAILED))),
                                fuse = "visco, green",
                            ),
                        )
                        1 -> log.volleys(most = 5u)
                        2 -> log.register()
                        3 -> if (call % 50 == 3) runBlocking { log.pairings() }
                        4 -> log.live()
                        else -> log.syncStatus()
                    }
                }
            }
        }
        work.forEach { it.get(300, TimeUnit.SECONDS) }
        pool.shutdown()
        val mine = log.live().shots.count { it.unit!!.startsWith("s") }
        check(mine == 400, "400 volleys were logged, $mine are live")
        check(told.get() > 0, "no observer was told")
        observation.stop()
    }
    println("soak: 10,000 calls from 8 threads, nothing lost")
}

fun cancelling(folder: File) = runBlocking {
    val file = File(folder, "old.csv")
    file.bufferedWriter().use { out ->
        out.write("outing,lot,unit,volley,wiring,ignition\n")
        repeat(10_000) { out.write("Old sheet,ZZ-1,$it,v${it / 10},parallel,${if (it % 50 == 7) "failed" else "fired"}\n") }
    }
    Embertally.open(File(folder, "log").path).use { log ->
        val job = launch(Dispatchers.Default) { log.importFile(file.path, FileFormat.CSV) }
        delay(1)
        job.cancelAndJoin()
        val again = log.importFile(file.path, FileFormat.CSV)
        check(again.added == 0UL || again.already == 0UL, "half of an import: $again")
        val shots = log.rates(RatesQuery(listOf(Group.LOT), Measure.RAW))[0].rate.shots
        check(shots == 10_000UL, "$shots shots")
    }
    println("cancelling: an import is all or nothing")
}

class Thrower : Clock {
    override fun now(): Moment = throw IllegalStateException("no time")
}

fun throwing(folder: File) {
    try {
        Embertally.open(folder.path, clock = Thrower())
        throw AssertionError("it opened")
    } catch (refused: EmbertallyException.Refused) {
        check(refused.code == "E_CALLBACK", refused.code)
    }
    println("throwing: a callback's exception is a typed error")
}

fun median(times: List<Long>) = times.sorted()[times.size / 2] / 1000.0

fun measure(folder: File) {
    val opened = (0 until 9).map {
        measureNanoTime { Embertally.open(File(folder, "log").path).close() }
    }
    println("measure: open of 10,000 shots %.1f ms".format(median(opened) / 1000))
    Embertally.open(File(folder, "small").path, clock = null).use { log ->
        evening(log)
        repeat(20_000) { log.syncStatus(); log.deviceId() }
        fun each(what: String, times: Int, call: () -> Unit) =
            println("measure: %s %.1f us".format(what, median((0 until times).map { measureNanoTime(call) })))
        each("a text (deviceId)", 20_000) { log.deviceId() }
        each("a record with an enum (syncStatus)", 20_000) { log.syncStatus() }
        each("a refusal, typed", 5_000) {
            try {
                log.markSafe(listOf())
            } catch (_: EmbertallyException) {
            }
        }
        repeat(200) { log.live() }
        each("the live list of 12 shots", 2_000) { log.live() }
        var n = 0
        each("a volley of ten, durable", 300) {
            val shots = (0 until 10).map { ShotEntry("KB-104", "m${n++}", Seen(Ignition.FIRED, Transfer.LIT)) }
            log.logVolley(VolleyEntry(shots, fuse = "visco, green", wiring = Wiring.SERIES))
        }
        runBlocking {
            repeat(200) { log.disputes() }
            each("an async call (disputes of 340 volleys)", 500) { runBlocking { log.disputes() } }
        }
    }
}

fun main(args: Array<String>) {
    val folder = File(args[0])
    soak(File(folder, "soak"))
    cancelling(folder)
    throwing(File(folder, "thrown"))
    if (args.size > 1) measure(folder)
}
