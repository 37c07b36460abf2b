"""What firmware and the kernel have set on a link, read from its registers, and what another setting would bring.

May live here: pure functions over one link, and their words. May not: writing any of it, judging the link by it.
"""
