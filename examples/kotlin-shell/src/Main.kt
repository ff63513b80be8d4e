package shell

import java.awt.event.WindowAdapter
import java.awt.event.WindowEvent
import java.io.File
import javax.swing.SwingUtilities
import kotlinx.coroutines.CoroutineScope
import kotlinx.coroutines.SupervisorJob

/** Opens the log beside the thread that draws, then the window. */
fun main(args: Array<String>) {
    val folder = File(args.firstOrNull() ?: "${System.getProperty("user.home")}/.embertally-shell")
    val scope = CoroutineScope(SupervisorJob())
    val model = BoardModel.open(folder, scope)
    model.begin(args.getOrElse(1) { "Dry run" }, "KB-104", "visco, green")
    SwingUtilities.invokeLater {
        val window = Window(model, scope)
        window.addWindowListener(object : WindowAdapter() {
            override fun windowClosing(e: WindowEvent) {
                model.close()
                window.dispose()
            }
        })
        window.isVisible = true
    }
}
