"""Facts on disk: weather, water given, notes and plans. Added, never edited."""
