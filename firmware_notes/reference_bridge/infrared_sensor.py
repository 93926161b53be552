"""An infrared thermometer module with an SMBus interface: pure, runs under MicroPython and Python alike.

A read-word answer is low byte, high byte, packet error code. Address, register and scale are those most
modules of this kind share (from memory): check them in your module's data sheet.
"""

ADDRESS = 0x5A
OBJECT_REGISTER = 0x07
ERROR_FLAG = 0x8000
CENTIKELVIN_PER_COUNT = 2  # 0.02 K
ICE_POINT_CENTIKELVIN = 27315


def packet_error_code(sent):
    """SMBus PEC: CRC-8, polynomial 0x07, start 0; check value 0xF4 over "123456789"."""
    register = 0
    for byte in sent:
        register ^= byte
        for _ in range(8):
            register = ((register << 1) ^ 0x07 if register & 0x80 else register << 1) & 0xFF
    return register


def celsius_text(answer, address=ADDRESS, register=OBJECT_REGISTER):
    """Decimal text in degC of a three-byte answer; "" when the module has no reading; None when damaged."""
    if len(answer) != 3:
        return None
    sent = bytes((address << 1, register, address << 1 | 1)) + bytes(answer[:2])
    if packet_error_code(sent) != answer[2]:
        return None
    count = answer[0] | answer[1] << 8
    if count & ERROR_FLAG:
        return ""
    centi = count * CENTIKELVIN_PER_COUNT - ICE_POINT_CENTIKELVIN
    sign, size = ("-", -centi) if centi < 0 else ("", centi)
    return f"{sign}{size // 100}.{size % 100:02d}"


def answer_for(centikelvin, address=ADDRESS, register=OBJECT_REGISTER):
    """The answer a module gives for a temperature, for rehearsals."""
    count = centikelvin // CENTIKELVIN_PER_COUNT
    word = bytes((count & 0xFF, count >> 8))
    return word + bytes((packet_error_code(bytes((address << 1, register, address << 1 | 1)) + word),))
