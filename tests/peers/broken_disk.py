"""A file system that hands everything on to a folder, and fails to order.

broken_disk.py FOLDER MOUNT_POINT says "mounted" once it is. Each line of standard input is an order:
"all 5" fails every call with errno 5 from then on, "writes 30" those that change something, "none 0"
none; each is answered with "done". It ends with its input. To hang, it is stopped (SIGSTOP).

It speaks with the kernel by linux/fuse.h, version 7.31, and needs no library. Nothing is remembered by
the kernel: each call comes here, or hangs.
"""

import ctypes
import errno
import os
import select
import stat
import struct
import sys

LIBC = ctypes.CDLL(None, use_errno=True)
WRITE_MAX = 128 << 10
ROOT = 1
NO_ANSWER = {2, 36, 42}  # FORGET, INTERRUPT, BATCH_FORGET
SIZE, MODE = 8, 1  # FATTR_…
ENTRY = struct.Struct("=QQQQII")
ATTRIBUTES = struct.Struct("=QQQQQQIIIIIIIIII")


class Disk:
    def __init__(self, folder):
        self.all = self.writes = 0
        self.paths = {ROOT: folder}
        self.nodes = {folder: ROOT}
        self.last = ROOT
        self.files = {}
        self.listings = {}
        self.last_listing = 0
        self.calls = {
            1: self.lookup, 3: self.getattr, 4: self.setattr, 9: self.mkdir, 10: self.unlink,
            11: self.rmdir, 12: self.rename, 13: self.link, 14: self.open, 15: self.read,
            16: self.write, 17: self.statfs, 18: self.release, 20: self.fsync, 25: self.flush,
            26: self.init, 27: self.opendir, 28: self.readdir, 29: self.releasedir,
            30: self.fsyncdir, 35: self.create, 45: self.rename2,
        }

    def order(self, line):
        what, number = line.split()
        number = int(number)
        self.all = number if what == "all" else 0
        self.writes = number if what in ("all", "writes") else 0

    def may(self, fault):
        if fault:
            raise OSError(fault, os.strerror(fault))

    def node(self, path):
        if path not in self.nodes:
            self.last += 1
            self.nodes[path] = self.last
            self.paths[self.last] = path
        return self.nodes[path]

    def path(self, node):
        try:
            return self.paths[node]
        except KeyError:
            raise OSError(errno.ENOENT, "gone") from None

    def child(self, node, name):
        return os.path.join(self.path(node), name.rstrip(b"\0"))

    def forget(self, path):
        self.paths.pop(self.nodes.pop(path, None), None)

    def attributes(self, node, found):
        def split(nanos):
            return divmod(nanos, 1_000_000_000)

        (accessed, a), (modified, m), (changed, c) = map(
            split, (found.st_atime_ns, found.st_mtime_ns, found.st_ctime_ns))
        return ATTRIBUTES.pack(
            node, found.st_size, found.st_blocks, accessed, modified, changed, a, m, c,
            found.st_mode, found.st_nlink, found.st_uid, found.st_gid, 0, 4096, 0)

    def entry(self, path):
        found = os.lstat(path)
        node = self.node(path)
        return ENTRY.pack(node, 0, 0, 0, 0, 0) + self.attributes(node, found)

    def look_up(self, node):
        for of, file in self.files.values():
            # What is open may have no name any more.
            if of == node:
                return struct.pack("=QII", 0, 0, 0) + self.attributes(node, os.fstat(file))
        return struct.pack("=QII", 0, 0, 0) + self.attributes(node, os.lstat(self.path(node)))

    def opened(self, node, file):
        self.files[file] = (node, file)
        return struct.pack("=QII", file, 0, 0)

    # What the kernel asks: the node, and what comes behind the header.

    def init(self, _, data):
        readahead = struct.unpack_from("=IIII", data)[2]
        return struct.pack("=IIIIHHIIHHI28x", 7, 31, readahead, 1 | 8 | 32, 12, 9, WRITE_MAX, 1, 0, 0, 0)

    def lookup(self, node, name):
        self.may(self.all)
        return self.entry(self.child(node, name))

    def getattr(self, node, _):
        self.may(self.all)
        return self.look_up(node)

    def setattr(self, node, data):
        self.may(self.writes)
        valid, _, file, size = struct.unpack_from("=IIQQ", data)
        mode = struct.unpack_from("=I", data, 68)[0]
        if valid & SIZE:
            files = [file for of, file in self.files.values() if of == node]
            os.truncate(files[0] if files else self.path(node), size)
        if valid & MODE:
            os.chmod(self.path(node), stat.S_IMODE(mode))
        return self.look_up(node)

    def mkdir(self, node, data):
        self.may(self.writes)
        path = self.child(node, data[8:])
        os.mkdir(path, 0o755)
        return self.entry(path)

    def unlink(self, node, name):
        self.may(self.writes)
        path = self.child(node, name)
        os.unlink(path)
        self.forget(path)

    def rmdir(self, node, name):
        self.may(self.writes)
        path = self.child(node, name)
        os.rmdir(path)
        self.forget(path)

    def rename(self, node, data):
        self.move(node, struct.unpack_from("=Q", data)[0], data[8:], 0)

    def rename2(self, node, data):
        to, flags = struct.unpack_from("=QI", data)
        self.move(node, to, data[16:], flags)

    def move(self, node, to, names, flags):
        self.may(self.writes)
        old, new = names.split(b"\0")[:2]
        old, new = self.child(node, old), self.child(to, new)
        here = -100  # AT_FDCWD
        if LIBC.renameat2(here, old, here, new, flags) != 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        self.forget(new)
        for path in [path for path in self.nodes if path == old or path.startswith(old + b"/")]:
            moved = new + path[len(old):]
            self.nodes[moved] = self.nodes.pop(path)
            self.paths[self.nodes[moved]] = moved

    def link(self, node, data):
        self.may(self.writes)
        path = self.child(node, data[8:])
        os.link(self.path(struct.unpack_from("=Q", data)[0]), path)
        return self.entry(path)

    def open(self, node, data):
        flags = struct.unpack_from("=I", data)[0]
        self.may(self.writes if flags & os.O_ACCMODE else self.all)
        return self.opened(node, os.open(self.path(node), flags & ~(os.O_CREAT | os.O_EXCL)))

    def create(self, node, data):
        self.may(self.writes)
        flags, mode = struct.unpack_from("=II", data)
        path = self.child(node, data[16:])
        file = os.open(path, flags | os.O_CREAT, stat.S_IMODE(mode))
        entry = self.entry(path)
        return entry + self.opened(self.nodes[path], file)

    def read(self, _, data):
        self.may(self.all)
        file, offset, size = struct.unpack_from("=QQI", data)
        return os.pread(file, size, offset)

    def write(self, _, data):
        self.may(self.writes)
        file, offset, size = struct.unpack_from("=QQI", data)
        return struct.pack("=II", os.pwrite(file, data[40:40 + size], offset), 0)

    def flush(self, *_):
        return b""

    def fsync(self, _, data):
        self.may(self.writes)
        os.fdatasync(struct.unpack_from("=Q", data)[0])

    def fsyncdir(self, *_):
        self.may(self.writes)

    def release(self, _, data):
        file = struct.unpack_from("=Q", data)[0]
        del self.files[file]
        os.close(file)

    def opendir(self, node, _):
        self.may(self.all)
        self.last_listing += 1
        # As of now: what is removed meanwhile must not shift the rest.
        self.listings[self.last_listing] = sorted(os.listdir(self.path(node)))
        return struct.pack("=QII", self.last_listing, 0, 0)

    def releasedir(self, _, data):
        self.listings.pop(struct.unpack_from("=Q", data)[0], None)

    def readdir(self, node, data):
        self.may(self.all)
        listing, offset, size = struct.unpack_from("=QQI", data)
        answer = b""
        folder = self.path(node)
        for index, name in enumerate(self.listings[listing][offset:], offset + 1):
            kind = 4 if os.path.isdir(os.path.join(folder, name)) else 8  # DT_…
            # The number in a listing need not be that of a look-up.
            entry = struct.pack("=QQII", (1 << 64) - 1, index, len(name), kind) + name
            entry += bytes(-len(entry) % 8)
            if len(answer) + len(entry) > size:
                break
            answer += entry
        return answer

    def statfs(self, *_):
        self.may(self.all)
        found = os.statvfs(self.paths[ROOT])
        return struct.pack(
            "=QQQQQIIII24x", found.f_blocks, found.f_bfree, found.f_bavail, found.f_files,
            found.f_ffree, found.f_bsize, 255, found.f_frsize, 0)

    def serve(self, device):
        request = os.read(device, WRITE_MAX + (16 << 10))
        _, call, unique, node = struct.unpack_from("=IIQQ", request)
        if call in NO_ANSWER:
            return
        number, answer = 0, b""
        try:
            if call not in self.calls:
                raise OSError(errno.ENOSYS, "not here")
            answer = self.calls[call](node, request[40:]) or b""
        except OSError as error:
            number = error.errno
        try:
            os.write(device, struct.pack("=IiQ", 16 + len(answer), -number, unique) + answer)
        except OSError as error:
            # ENOENT: whoever asked has been killed meanwhile.
            if error.errno != errno.ENOENT:
                raise


def main(folder, point):
    device = os.open("/dev/fuse", os.O_RDWR)
    options = f"fd={device},rootmode=40000,user_id=0,group_id=0,allow_other,default_permissions"
    if LIBC.mount(b"broken_disk", point, b"fuse", 0, options.encode()) != 0:
        sys.exit(f"can't mount: {os.strerror(ctypes.get_errno())}")
    print("mounted", flush=True)
    disk = Disk(folder)
    while True:
        ready, _, _ = select.select([device, sys.stdin], [], [])
        if sys.stdin in ready:
            line = sys.stdin.readline()
            if not line:
                break
            disk.order(line)
            print("done", flush=True)
        if device in ready:
            try:
                disk.serve(device)
            except OSError as error:
                # ENODEV: unmounted by somebody else.
                if error.errno == errno.ENODEV:
                    break
                raise
    LIBC.umount2(point, 2)  # MNT_DETACH


main(*map(os.fsencode, sys.argv[1:3]))
