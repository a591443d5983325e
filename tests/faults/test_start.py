"""The collector starts while the database is away: it reads on by its copy of the register, into the spool."""
import unittest

from common import Rig


class Start(unittest.TestCase):
    def setUp(self):
        self.rig = Rig()
        self.addCleanup(self.rig.close)

    def lose_collector_and_database(self):
        """What is stored here is newer than the copy of the register, which is kept every few minutes."""
        rig = self.rig
        rig.begin()
        rig.advance_slowly(6)
        rig.wait_until_read()
        rig.advance_slowly(2, pause=0.1)
        rig.kill()
        rig.database("stop")

    def finish(self):
        rig = self.rig
        rig.database("start")
        rig.advance_slowly(2)
        rig.wait_until_read()
        self.assertGreater(rig.check(), 500)
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])

    def test_it_reads_on_into_the_spool(self):
        rig = self.rig
        self.lose_collector_and_database()
        rig.start()
        rig.wait_for_log("register.from_copy")
        rig.advance_slowly(10)
        rig.wait_until(rig.segments, 30, "spooled batch")
        rig.kill()
        rig.start()
        rig.wait_for_log("register.from_copy")
        rig.advance_slowly(4)
        self.finish()

    def test_the_database_is_lost_while_the_register_is_read(self):
        rig = self.rig
        rig.begin()
        rig.kill()
        with rig.held("vaneward.source"):
            rig.start()
            rig.wait_until_held()
            rig.database("stop")
        rig.wait_for_log("register.from_copy")
        rig.advance_slowly(4)
        rig.wait_until(rig.segments, 30, "spooled batch")
        self.finish()

    def test_with_a_damaged_copy_it_waits(self):
        rig = self.rig
        self.lose_collector_and_database()
        copy = rig.spool / "register.copy"
        whole = copy.read_bytes()
        copy.write_bytes(whole[:len(whole) // 2] + b"?" + whole[len(whole) // 2 + 1:])
        rig.start()
        rig.wait_for_log("register.unknown")
        rig.advance_slowly(4)
        self.assertEqual(rig.segments(), [])
        self.finish()
        self.assertIn("database.back", rig.log_text())


if __name__ == "__main__":
    unittest.main(verbosity=2)
