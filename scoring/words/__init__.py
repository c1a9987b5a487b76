"""Every sentence for people."""
