"""What-if: changes that are tried without touching the export, the network as it is beside them, and sign-offs."""
