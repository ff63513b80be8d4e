package shell

import java.awt.*
import java.awt.geom.RoundRectangle2D
import javax.swing.*
import javax.swing.border.EmptyBorder

/** Colours and pieces: made for a dark field, where a bright screen blinds. */
object Look {
    val night = Color(0x14, 0x17, 0x1c)
    val slate = Color(0x1e, 0x23, 0x2b)
    val ridge = Color(0x2b, 0x32, 0x3d)
    val chalk = Color(0xe9, 0xe4, 0xd8)
    val ash = Color(0x98, 0xa1, 0xad)
    val ember = Color(0xff, 0x8f, 0x45)

    fun of(tap: Tap) = when (tap) {
        Tap.LIT -> Color(0x5c, 0xc2, 0x9a)
        Tap.DARK -> Color(0xb6, 0x8c, 0xf0)
        Tap.SLOW -> Color(0xf0, 0xc9, 0x55)
        Tap.FAILED -> Color(0xf0, 0x62, 0x5d)
        Tap.UNTRIED -> Color(0x8b, 0x95, 0xa3)
    }

    fun font(size: Int, style: Int = Font.PLAIN) = Font(Font.SANS_SERIF, style, size)

    fun label(text: String, size: Int = 13, colour: Color = chalk, style: Int = Font.PLAIN) =
        JLabel(text).apply {
            font = font(size, style)
            foreground = colour
            alignmentX = Component.LEFT_ALIGNMENT
        }

    /** Lines of text that break where the room ends. */
    fun prose(size: Int = 13, colour: Color = chalk) = JTextArea().apply {
        isEditable = false
        isFocusable = false
        lineWrap = true
        wrapStyleWord = true
        isOpaque = false
        font = font(size)
        foreground = colour
        border = null
        alignmentX = Component.LEFT_ALIGNMENT
    }

    fun field(text: String, columns: Int) = JTextField(text, columns).apply {
        font = font(14)
        background = night
        foreground = chalk
        caretColor = ember
        border = BorderFactory.createCompoundBorder(BorderFactory.createLineBorder(ridge, 1, true), EmptyBorder(6, 8, 6, 8))
    }
}

/** A panel with round corners and a heading. */
class Card(title: String, body: JComponent) : JPanel(BorderLayout(0, 10)) {
    val heading = Look.label(title, 15, Look.ash, Font.BOLD)

    init {
        isOpaque = false
        border = EmptyBorder(14, 16, 14, 16)
        add(heading, BorderLayout.NORTH)
        add(body, BorderLayout.CENTER)
    }

    override fun paintComponent(g: Graphics) {
        val pen = (g as Graphics2D).also { smooth(it) }
        pen.color = Look.slate
        pen.fill(RoundRectangle2D.Float(0f, 0f, width.toFloat(), height.toFloat(), 18f, 18f))
    }
}

fun smooth(pen: Graphics2D) {
    pen.setRenderingHint(RenderingHints.KEY_ANTIALIASING, RenderingHints.VALUE_ANTIALIAS_ON)
    pen.setRenderingHint(RenderingHints.KEY_TEXT_ANTIALIASING, RenderingHints.VALUE_TEXT_ANTIALIAS_ON)
}

/** A key that a gloved finger hits. */
class Key(text: String, private val colour: Color, private val filled: Boolean, size: Int = 15) : JButton(text) {
    init {
        font = Look.font(size, Font.BOLD)
        isContentAreaFilled = false
        isBorderPainted = false
        isFocusPainted = false
        foreground = if (filled) Look.night else colour
        border = EmptyBorder(8, 14, 8, 14)
        cursor = Cursor.getPredefinedCursor(Cursor.HAND_CURSOR)
    }

    override fun paintComponent(g: Graphics) {
        val pen = (g.create() as Graphics2D).also { smooth(it) }
        val shape = RoundRectangle2D.Float(1f, 1f, width - 3f, height - 3f, 14f, 14f)
        val shown = if (isEnabled) colour else Look.ridge
        pen.color = if (filled) (if (model.isPressed) shown.darker() else shown) else if (model.isPressed) Look.ridge else Look.slate
        pen.fill(shape)
        if (!filled) {
            pen.color = shown
            pen.stroke = BasicStroke(1.6f)
            pen.draw(shape)
        }
        pen.dispose()
        super.paintComponent(g)
    }
}

/** The twelve places of a volley. */
class Places : JComponent() {
    var taps: List<Tap> = emptyList()
    var firstUnit = 1

    init {
        preferredSize = Dimension(560, 176)
        minimumSize = preferredSize
    }

    override fun paintComponent(g: Graphics) {
        val pen = (g.create() as Graphics2D).also { smooth(it) }
        val (columns, gap) = 6 to 10
        val wide = (width - gap * (columns - 1)) / columns.toFloat()
        val high = (height - gap) / 2f
        repeat(BoardModel.MOST) { i ->
            val x = (i % columns) * (wide + gap)
            val y = (i / columns) * (high + gap)
            val shape = RoundRectangle2D.Float(x + 1, y + 1, wide - 2, high - 2, 16f, 16f)
            val tap = taps.getOrNull(i)
            if (tap == null) {
                pen.color = Look.ridge
                pen.stroke = BasicStroke(1.4f, BasicStroke.CAP_ROUND, BasicStroke.JOIN_ROUND, 1f, floatArrayOf(4f, 5f), 0f)
                if (i == taps.size) pen.color = Look.ember
                pen.draw(shape)
                write(pen, "${firstUnit + i}", 16, Font.PLAIN, if (i == taps.size) Look.ember else Look.ash, x, y + high / 2 + 6, wide)
            } else {
                pen.color = Look.of(tap)
                pen.fill(shape)
                write(pen, "${firstUnit + i}", 24, Font.BOLD, Look.night, x, y + high / 2 + 2, wide)
                write(pen, tap.letter, 12, Font.PLAIN, Look.night, x, y + high - 14, wide)
            }
        }
        pen.dispose()
    }

    private fun write(pen: Graphics2D, text: String, size: Int, style: Int, colour: Color, x: Float, y: Float, wide: Float) {
        pen.font = Look.font(size, style)
        pen.color = colour
        pen.drawString(text, x + (wide - pen.fontMetrics.stringWidth(text)) / 2, y)
    }
}

/** A share with its interval, from nothing to all: what is not known is as wide as it is. */
class Interval(private val rate: Double?, private val low: Double, private val high: Double) : JComponent() {
    init {
        preferredSize = Dimension(150, 18)
        maximumSize = preferredSize
        alignmentX = LEFT_ALIGNMENT
    }

    override fun paintComponent(g: Graphics) {
        val pen = (g.create() as Graphics2D).also { smooth(it) }
        val at = { share: Double -> (6 + (width - 12) * share.coerceIn(0.0, SCALE) / SCALE).toFloat() }
        val middle = height / 2f
        pen.color = Look.ridge
        pen.fill(RoundRectangle2D.Float(0f, middle - 2, width.toFloat(), 4f, 4f, 4f))
        pen.color = Look.ember
        pen.fill(RoundRectangle2D.Float(at(low), middle - 3, maxOf(at(high) - at(low), 3f), 6f, 6f, 6f))
        if (rate != null) {
            pen.color = Look.chalk
            pen.fill(RoundRectangle2D.Float(at(rate) - 4, middle - 6, 8f, 12f, 4f, 4f))
        }
        pen.dispose()
    }

    companion object {
        const val SCALE = 1.0
    }
}
