/** Drives the window as a person would, with a server and a second device, and looks at what it shows. */
package shell

import embertally.*
import java.awt.Component
import java.awt.Container
import java.io.File
import java.util.concurrent.TimeUnit
import javax.swing.*
import kotlinx.coroutines.CoroutineScope
import kotlinx.coroutines.SupervisorJob

fun check(condition: Boolean, what: () -> String) {
    if (!condition) throw AssertionError(what())
}

/** Waits for a condition on the thread that draws. No sleep decides anything: what never comes fails. */
fun until(what: String, condition: () -> Boolean) {
    val end = System.nanoTime() + TimeUnit.SECONDS.toNanos(30)
    while (true) {
        var holds = false
        SwingUtilities.invokeAndWait { holds = condition() }
        if (holds) return
        check(System.nanoTime() < end) { "never came: $what" }
        Thread.sleep(20)
    }
}

fun all(root: Container): List<Component> =
    root.components.flatMap { listOf(it) + if (it is Container) all(it) else emptyList() }

fun named(window: Window, name: String) =
    all(window.contentPane).firstOrNull { it.name == name } ?: throw AssertionError("no $name on the screen")

fun click(window: Window, name: String, times: Int = 1) = SwingUtilities.invokeAndWait {
    repeat(times) { (named(window, name) as AbstractButton).doClick(0) }
}

fun type(window: Window, name: String, text: String) = SwingUtilities.invokeAndWait {
    (named(window, name) as JTextField).apply {
        this.text = text
        postActionEvent()
    }
}

fun texts(window: Window): String =
    all(window.contentPane).joinToString("\n") {
        when (it) {
            is JLabel -> it.text ?: ""
            is JTextArea -> it.text
            is AbstractButton -> it.text ?: ""
            else -> ""
        }
    }

fun picture(out: File, name: String) {
    val display = System.getenv("DISPLAY") ?: return
    // What was asked to be drawn is drawn after what is in the queue now, and then sent.
    repeat(3) { SwingUtilities.invokeAndWait { java.awt.Toolkit.getDefaultToolkit().sync() } }
    val done = ProcessBuilder("import", "-display", display, "-window", "root", File(out, "$name.png").path).inheritIO().start()
    check(done.waitFor() == 0) { "no picture" }
}

fun main(args: Array<String>) {
    try {
        drive(args)
        System.exit(0)
    } catch (wrong: Throwable) {
        wrong.printStackTrace()
        picture(File(args[2]), "failed")
        System.exit(1)
    }
}

fun drive(args: Array<String>) {
    val (folder, server, pictures) = args.map { File(it) }
    val scope = CoroutineScope(SupervisorJob())
    val model = BoardModel.open(File(folder, "phone"), scope)
    model.begin("Dry run, 9 May 2031", "KB-104", "visco, green")
    lateinit var window: Window
    SwingUtilities.invokeAndWait {
        window = Window(model, scope)
        window.sure = { true }
        window.setLocation(0, 0)
        window.isVisible = true
    }
    until("the outing") { texts(window).contains("Dry run, 9 May 2031") }
    picture(pictures, "1-empty")

    // Twelve taps are a volley; a thirteenth is none.
    click(window, "LIT", 7)
    click(window, "FAILED")
    click(window, "DARK")
    click(window, "LIT", 2)
    click(window, "UNTRIED")
    click(window, "LIT")
    until("twelve shots") { texts(window).contains("Save 12") }
    picture(pictures, "2-tapped")
    type(window, "channel", "3")
    click(window, "save")
    until("what is saved") { texts(window).contains("Saved on this device: 12 shots, 3 of them live.") }
    until("the live list") { texts(window).contains("Live: 3") }
    check(texts(window).contains("unit 8")) { texts(window) }
    check(cautions().all { texts(window).contains(it) }) { "the cautions are not shown" }

    // A unit that was tried before is refused in the library's words, and the taps are still there.
    type(window, "first unit", "8")
    click(window, "LIT")
    until("one shot") { texts(window).contains("Save 1") }
    click(window, "save")
    until("the refusal") { texts(window).contains("Unit 8 of lot KB-104 was tried before") }
    until("the taps") { texts(window).contains("Save 1") }
    picture(pictures, "3-refused")
    type(window, "first unit", "13")
    click(window, "SLOW")
    click(window, "LIT", 8)
    until("ten shots") { texts(window).contains("Save 10") }
    click(window, "save")
    until("the second volley") { texts(window).contains("Saved on this device: 10 shots.") }
    until("the rates") { texts(window).contains("of 21") || texts(window).contains("of 22") }

    click(window, "safe")
    until("one made safe") { texts(window).contains("Live: 2") }

    // Sync: an invitation that is none, then the crew's server, and what another device logs there.
    type(window, "invitation", "nonsense")
    click(window, "sync")
    until("the refusal of nonsense") { texts(window).contains("invitation") && model.state.value.problem.isNotEmpty() }
    val invitation = Server(server, File(folder, "server")).use { crew ->
        type(window, "invitation", crew.invitation)
        click(window, "sync")
        until("all sent") { texts(window).contains("Up to date") }
        Embertally.open(File(folder, "other").path).use { other ->
            kotlinx.coroutines.runBlocking { other.syncOnce(crew.invitation) }
            other.goToOuting("Dry run, 9 May 2031")
            other.logVolley(
                VolleyEntry(
                    listOf(ShotEntry("SR-21", "1", Seen(Ignition.FIRED, Transfer.UNLIT))),
                    fuse = "quickmatch",
                    newNames = true,
                ),
            )
            kotlinx.coroutines.runBlocking { other.syncOnce() }
        }
        until("what the other device logged") { texts(window).contains("Live: 3") && texts(window).contains("SR-21") }
        until("a word on what is newly live") { texts(window).contains("1 newly on the live list") }
        picture(pictures, "4-synchronised")
        crew.invitation
    }
    check(invitation.isNotEmpty()) { "no invitation" }
    until("offline") { texts(window).contains("Offline") }
    picture(pictures, "5-offline")
    click(window, "sync")
    until("sync off") { texts(window).contains("Sync is off.") }
    SwingUtilities.invokeAndWait {
        model.close()
        window.dispose()
    }
    // What was shown is on the disk.
    Embertally.open(File(folder, "phone").path).use { log ->
        check(log.volleys().sumOf { it.shots.size } == 23) { "${log.volleys()}" }
        check(log.live().shots.size == 3) { "${log.live()}" }
    }
    println("shell: driven, ${pictures.list()!!.size} pictures in $pictures")
}

/** The crew's server, out of the command-line tool. */
class Server(tool: File, data: File) : AutoCloseable {
    private val process = ProcessBuilder(tool.path, "serve", "--listen", "127.0.0.1:0", "--data", data.path)
        .redirectErrorStream(true)
        .start()
    val invitation: String

    init {
        val heard = StringBuilder()
        val found = Regex("https://\\S+#crew=\\S+")
        var invited: String? = null
        for (line in process.inputStream.bufferedReader().lineSequence()) {
            heard.appendLine(line)
            invited = found.find(line)?.value
            if (invited != null) break
        }
        invitation = invited ?: throw AssertionError("the server showed no invitation:\n$heard")
        // What it says from now on must not fill the pipe.
        Thread { runCatching { process.inputStream.bufferedReader().forEachLine {} } }.apply { isDaemon = true }.start()
    }

    override fun close() {
        process.destroy()
        if (!process.waitFor(20, TimeUnit.SECONDS)) process.destroyForcibly()
    }
}
