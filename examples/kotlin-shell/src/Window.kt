package shell

import embertally.*
import java.awt.*
import javax.swing.*
import javax.swing.border.EmptyBorder
import kotlinx.coroutines.CoroutineScope
import kotlinx.coroutines.Dispatchers
import kotlinx.coroutines.launch

/** The one screen. It draws the model's state and hands taps on; names of pieces are for the test that drives it. */
class Window(private val model: BoardModel, scope: CoroutineScope) : JFrame("Embertally") {
    private val places = Places()
    private val outing = Look.label("", 20, Look.chalk, Font.BOLD)
    private val rules = Look.label("", 13, Look.ash)
    private val lot = Look.field("", 8)
    private val fuse = Look.field("", 10)
    private val unit = Look.field("1", 4)
    private val channel = Look.field("", 3)
    private val wiring = JComboBox(arrayOf("parallel", "series"))
    private val save = Key("Save volley", Look.ember, true, 17)
    private val undo = Key("Undo", Look.ash, false)
    private val said = Look.prose(14)
    private val live = column()
    private val volleys = column()
    private val rates = column()
    private val invitation = Look.field("", 20).apply { name = "invitation" }
    private val sync = Look.prose(13, Look.ash)
    private val syncKey = Key("Start sync", Look.ember, false)
    private val caution = Look.prose(12, Look.ash)
    private val liveCard: Card
    private var shown = Board()

    init {
        defaultCloseOperation = DO_NOTHING_ON_CLOSE
        contentPane.background = Look.night
        (contentPane as JComponent).border = EmptyBorder(18, 18, 18, 18)
        contentPane.layout = BorderLayout(18, 0)
        liveCard = Card("Live", scrolled(live))
        contentPane.add(left(), BorderLayout.CENTER)
        contentPane.add(right(), BorderLayout.EAST)
        save.name = "save"
        undo.name = "undo"
        syncKey.name = "sync"
        save.addActionListener {
            choose()
            model.save(if (wiring.selectedIndex == 1) Wiring.SERIES else Wiring.PARALLEL, channel.text.trim().toIntOrNull())
        }
        undo.addActionListener { model.undo() }
        syncKey.addActionListener {
            if (shown.sync.state is SyncState.Off || shown.sync.state is SyncState.Refused) {
                model.startSync(invitation.text)
                // It is kept with the log from now on, and is a secret.
                invitation.text = ""
            } else {
                model.stopSync()
            }
        }
        size = Dimension(1240, 800)
        scope.launch(Dispatchers.Default) {
            model.state.collect { board -> SwingUtilities.invokeLater { show(board) } }
        }
    }

    private fun choose() = model.choose(lot.text.trim(), fuse.text.trim(), unit.text.trim().toIntOrNull() ?: 1)

    private fun column() = JPanel().apply {
        isOpaque = false
        layout = BoxLayout(this, BoxLayout.Y_AXIS)
    }

    private fun scrolled(body: JComponent) = JScrollPane(body).apply {
        border = null
        isOpaque = false
        viewport.isOpaque = false
        horizontalScrollBarPolicy = JScrollPane.HORIZONTAL_SCROLLBAR_NEVER
        verticalScrollBar.unitIncrement = 16
        verticalScrollBar.preferredSize = Dimension(8, 0)
    }

    private fun left(): JComponent {
        val inputs = JPanel(FlowLayout(FlowLayout.LEFT, 8, 0)).apply { isOpaque = false }
        wiring.font = Look.font(14)
        wiring.background = Look.night
        wiring.foreground = Look.chalk
        wiring.border = BorderFactory.createLineBorder(Look.ridge, 1, true)
        wiring.renderer = object : DefaultListCellRenderer() {
            override fun getListCellRendererComponent(l: JList<*>?, v: Any?, i: Int, on: Boolean, focus: Boolean) =
                super.getListCellRendererComponent(l, v, i, on, false).also {
                    it.background = if (on && i >= 0) Look.ridge else Look.night
                    it.foreground = Look.chalk
                    (it as JComponent).border = EmptyBorder(6, 8, 6, 8)
                }
        }
        val named = listOf("lot" to lot, "fuse" to fuse, "first unit" to unit, "channel" to channel)
        for ((text, field) in named) {
            field.name = text
            field.addActionListener { choose() }
            field.addFocusListener(object : java.awt.event.FocusAdapter() {
                override fun focusLost(e: java.awt.event.FocusEvent) = choose()
            })
            inputs.add(Look.label(text, 13, Look.ash))
            inputs.add(field)
        }
        inputs.add(wiring)
        val keys = JPanel(GridLayout(1, 0, 10, 0)).apply { isOpaque = false }
        for (tap in Tap.entries) {
            val key = Key(tap.letter, Look.of(tap), true, 16).apply {
                name = tap.name
                toolTipText = tap.word
                preferredSize = Dimension(100, 72)
                addActionListener { this@Window.model.tap(tap) }
            }
            keys.add(key)
        }
        val ends = JPanel(BorderLayout(10, 0)).apply { isOpaque = false }
        save.preferredSize = Dimension(200, 52)
        ends.add(said, BorderLayout.CENTER)
        ends.add(JPanel(FlowLayout(FlowLayout.RIGHT, 10, 0)).apply {
            isOpaque = false
            add(undo)
            add(save)
        }, BorderLayout.EAST)
        undo.preferredSize = Dimension(100, 52)
        val pad = JPanel(BorderLayout(0, 14)).apply { isOpaque = false }
        pad.add(inputs, BorderLayout.NORTH)
        pad.add(places, BorderLayout.CENTER)
        pad.add(JPanel(BorderLayout(0, 14)).apply {
            isOpaque = false
            add(keys, BorderLayout.NORTH)
            add(ends, BorderLayout.SOUTH)
        }, BorderLayout.SOUTH)
        val head = column().apply {
            add(outing)
            add(Box.createVerticalStrut(4))
            add(rules)
            border = EmptyBorder(0, 4, 0, 0)
        }
        val latest = Card("Latest volleys", scrolled(volleys)).apply { preferredSize = Dimension(0, 190) }
        return JPanel(BorderLayout(0, 14)).apply {
            isOpaque = false
            add(head, BorderLayout.NORTH)
            add(Card("One tap a shot, up to twelve", pad), BorderLayout.CENTER)
            add(latest, BorderLayout.SOUTH)
        }
    }

    private fun right(): JComponent {
        val syncBody = JPanel(BorderLayout(8, 8)).apply { isOpaque = false }
        syncBody.add(invitation, BorderLayout.CENTER)
        syncBody.add(syncKey, BorderLayout.EAST)
        sync.rows = 3
        invitation.preferredSize = Dimension(200, 36)
        syncBody.minimumSize = Dimension(0, 100)
        syncBody.add(sync, BorderLayout.SOUTH)
        val rateBody = JPanel(BorderLayout()).apply { isOpaque = false }
        rateBody.add(scrolled(rates), BorderLayout.CENTER)
        caution.rows = 5
        val liveBody = JPanel(BorderLayout(0, 8)).apply { isOpaque = false }
        liveBody.add(liveCard, BorderLayout.CENTER)
        liveCard.add(caution, BorderLayout.SOUTH)
        return JPanel(GridBagLayout()).apply {
            isOpaque = false
            preferredSize = Dimension(430, 0)
            val at = GridBagConstraints().apply {
                gridx = 0
                fill = GridBagConstraints.BOTH
                weightx = 1.0
                weighty = 1.0
                insets = Insets(0, 0, 14, 0)
            }
            add(liveBody, at)
            at.weighty = 0.55
            add(Card("Igniters that failed", rateBody), at)
            at.weighty = 0.0
            at.insets = Insets(0, 0, 0, 0)
            add(Card("Crew's server: invitation", syncBody).apply { minimumSize = Dimension(0, 160) }, at)
        }
    }

    private fun show(board: Board) {
        val before = shown
        shown = board
        outing.text = board.register?.outing ?: "No outing"
        val current = board.register?.outings?.firstOrNull { it.name == board.register.outing }
        rules.text = current?.waitMinutes?.let { "The site's rules: wait $it min before anybody approaches" } ?: " "
        if (board.lot != before.lot) lot.text = board.lot
        if (board.fuse != before.fuse) fuse.text = board.fuse
        if (board.nextUnit != before.nextUnit) unit.text = "${board.nextUnit}"
        places.taps = board.taps
        places.firstUnit = board.nextUnit
        places.repaint()
        save.isEnabled = board.taps.isNotEmpty()
        undo.isEnabled = board.taps.isNotEmpty()
        save.text = if (board.taps.isEmpty()) "Save volley" else "Save ${board.taps.size}"
        said.text = board.problem.ifEmpty { board.saved }
        said.foreground = if (board.problem.isEmpty()) Look.of(Tap.LIT) else Look.of(Tap.FAILED)
        board.live?.let { showLive(it) }
        fill(volleys, board.volleys.map { volley(it) })
        fill(rates, board.rates.map { rate(it) }.ifEmpty { listOf(Look.label("No shot counts yet.", 13, Look.ash)) })
        val on = board.sync.state !is SyncState.Off && board.sync.state !is SyncState.Refused
        syncKey.text = if (on) "Stop" else "Start sync"
        sync.text = BoardModel.said(board.sync)
        sync.foreground = when (board.sync.state) {
            is SyncState.UpToDate -> Look.of(Tap.LIT)
            is SyncState.Refused -> Look.of(Tap.FAILED)
            else -> Look.ash
        }
    }

    private fun showLive(list: LiveList) {
        val lines = list.incomplete.map { Look.label(it, 13, Look.of(Tap.FAILED), Font.BOLD) as JComponent } +
            list.shots.map { liveLine(it) } + list.fuseNotSeen.map { liveLine(it) }
        val count = list.shots.size + list.fuseNotSeen.size
        liveCard.heading.text = if (count == 0) "Live" else "Live: $count"
        liveCard.heading.foreground = if (count == 0) Look.ash else Look.of(Tap.FAILED)
        val none = Look.prose().apply { text = "Nothing is recorded as live. That is no proof that nothing is: look." }
        fill(live, lines.ifEmpty { listOf(none) })
        caution.text = list.caution
    }

    private fun liveLine(shot: LiveShot): JComponent {
        val place = listOfNotNull(shot.module, shot.channel?.let { "channel $it" }).joinToString(" ")
        val what = "${shot.lot} unit ${shot.unit ?: "?"}" + if (place.isEmpty()) "" else ", $place"
        val text = column().apply {
            add(Look.label(what, 14, Look.chalk, Font.BOLD))
            add(Look.label(shot.reason, 12, Look.ash))
        }
        val safe = Key("Made safe", Look.ash, false, 12).apply {
            name = "safe"
            addActionListener { if (sure(what)) this@Window.model.markSafe(shot.shot) }
        }
        return row(text, safe)
    }

    /** Overridden by nobody but the test. */
    var sure: (String) -> Boolean = { what ->
        JOptionPane.showConfirmDialog(this, "$what was made safe?", "Made safe", JOptionPane.YES_NO_OPTION) == 0
    }

    private fun volley(line: VolleyLine): JComponent {
        val marks = JPanel(FlowLayout(FlowLayout.LEFT, 4, 0)).apply { isOpaque = false }
        line.shots.forEach { marks.add(Dot(it)) }
        val units = line.shots.mapNotNull { it.unit }
        val span = if (units.size > 1) "${units.first()} to ${units.last()}" else units.firstOrNull() ?: ""
        val text = Look.label("${BoardModel.clock(line.at)}   ${line.shots.firstOrNull()?.lot ?: ""}  $span", 13)
        return row(text, marks)
    }

    private fun rate(line: RateRow): JComponent {
        val text = column().apply {
            add(Look.label(line.names.joinToString(", ") { it ?: "no fuse" }, 14, Look.chalk, Font.BOLD))
            add(Look.label(line.words, 12, Look.ash))
        }
        return row(text, Interval(line.rate.rate, line.rate.low, line.rate.high))
    }

    private fun row(left: JComponent, right: JComponent) = JPanel(BorderLayout(8, 0)).apply {
        isOpaque = false
        alignmentX = LEFT_ALIGNMENT
        border = BorderFactory.createCompoundBorder(
            BorderFactory.createMatteBorder(0, 0, 1, 0, Look.ridge),
            EmptyBorder(6, 0, 6, 4),
        )
        add(left, BorderLayout.CENTER)
        add(right, BorderLayout.EAST)
        maximumSize = Dimension(Int.MAX_VALUE, preferredSize.height)
    }

    private fun fill(panel: JPanel, lines: List<JComponent>) {
        panel.removeAll()
        lines.forEach { panel.add(it) }
        panel.revalidate()
        panel.repaint()
    }

    /** A shot of a volley that was logged. */
    private class Dot(private val shot: ShotLine) : JComponent() {
        init {
            preferredSize = Dimension(14, 14)
        }

        override fun paintComponent(g: Graphics) {
            val pen = (g.create() as Graphics2D).also { smooth(it) }
            pen.color = when {
                shot.isDisputed -> Look.ember
                shot.ignition == Ignition.FAILED -> Look.of(Tap.FAILED)
                shot.ignition == Ignition.SKIPPED -> Look.of(Tap.UNTRIED)
                shot.transfer == Transfer.UNLIT -> Look.of(Tap.DARK)
                shot.ignition == Ignition.SLOW -> Look.of(Tap.SLOW)
                else -> Look.of(Tap.LIT)
            }
            if (shot.isMadeSafe) pen.drawOval(2, 2, 9, 9) else pen.fillOval(1, 1, 12, 12)
            pen.dispose()
        }
    }
}
